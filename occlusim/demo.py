"""Where the invented demo cases lie: in the installed package, or beside it in a checkout."""

from pathlib import Path

from occlusim.errors import InputError


def demo_folder() -> Path:
    """Return the folder of the demo arches.

    Raises
    ------
    InputError
        If neither the package nor the checkout holds them.
    """
    here = Path(__file__).resolve().parent
    for folder in (here / "demo_arches", here.parent / "demo_arches"):
        if folder.is_dir():
            return folder
    raise InputError(
        f"demo: no folder demo_arches in {here} or beside it; install occlusim again"
    )


def demo_case(name: str) -> Path:
    """Return the case file of a demo case.

    Raises
    ------
    InputError
        If there is no case of this name; the message lists those there are.
    """
    folder = demo_folder()
    path = folder / f"{name}.toml"
    if not path.is_file():
        known = ", ".join(sorted(p.stem for p in folder.glob("*.toml")))
        raise InputError(f"demo: no case {name!r}; there are {known}")
    return path
