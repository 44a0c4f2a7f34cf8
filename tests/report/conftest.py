import pytest
from report.made_up import ORIENTATION, meshes, results

from occlusim.report.html import render_report


@pytest.fixture(scope="session")
def page() -> str:
    """The report of the invented case."""
    return render_report(results(), meshes(20), ORIENTATION)
