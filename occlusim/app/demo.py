"""A case of invented scans, to try the page with."""

from __future__ import annotations

from pathlib import Path

from occlusim.app.store import Store, StoredCase
from occlusim.app.uploads import receive
from occlusim.demo import demo_case
from occlusim.files.case_file import case_files, read_case

NAME = "molar-46"


def demo_into(store: Store) -> StoredCase:
    """Return a new case with the files and the tooth of the invented demo case.

    Raises
    ------
    InputError
        If the package lacks the demo, or a file cannot be kept.
    """
    spec = read_case(demo_case(NAME))
    taken = {case.id for case in store.cases()}
    names = [f"demo-{NAME}", *(f"demo-{NAME}-{n}" for n in range(2, len(taken) + 3))]
    case = store.create(next(name for name in names if name not in taken))
    for role, path in case_files(spec):
        with Path(path).open("rb") as file:
            receive(case, role, path.name, file, path.stat().st_size)
    (crown,) = spec.crowns
    right, left = spec.mounting.right_condyle_mm, spec.mounting.left_condyle_mm
    case.set_fields(
        {
            "crown.tooth": crown.tooth,
            "crown.support": crown.support,
            "mounting.right_condyle_mm": right,
            "mounting.left_condyle_mm": left,
            "movements.protrusion_mm": spec.movements.protrusion_mm,
            "movements.laterotrusion_mm": spec.movements.laterotrusion_mm,
        }
    )
    return case
