"""The texts of the page: each is used, each setting has its words."""

import re
from pathlib import Path

from occlusim.app.english import CHOICES, ENGLISH, LABELS
from occlusim.app.fields import FIELDS
from occlusim.app.layout import PAIRS

APP = Path(__file__).resolve().parents[2] / "occlusim" / "app"
COMPOSED = ("role_", "about_", "state_", "severity_", "axis_")


def test_every_text_is_used_and_every_used_one_is_there():
    sources = [path for path in APP.glob("*.py") if path.name != "english.py"]
    text = "\n".join(path.read_text(encoding="utf-8") for path in sources)
    quoted = set(re.findall(r'"([a-z_]+)"', text))
    unused = {name for name in ENGLISH if name not in quoted and not name.startswith(COMPOSED)}
    composed = {"cancelled_words", "interrupted_words"}
    assert unused - composed == set()
    asked = set(re.findall(r'(?<!REPORT_)WORDS\["(\w+)"\]', text))
    assert asked - set(ENGLISH) == set()


def test_every_setting_and_every_choice_has_its_words():
    pairs = {key for field in FIELDS for key in PAIRS if field.key.startswith(key)}
    single = {field.key for field in FIELDS if not field.key.startswith(PAIRS)}
    assert set(LABELS) == pairs | single
    assert all(label and about for label, about in LABELS.values())
    assert {choice for field in FIELDS for choice in field.choices} <= set(CHOICES)
