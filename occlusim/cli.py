"""The command line. Progress goes to stderr, results to files, a summary in words to stdout."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import Annotated, NoReturn

import typer
from rich.console import Console

from occlusim import __version__
from occlusim.errors import InputError, OcclusimError

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Is a crown high, where, by how much, and what to take off, before it is milled.",
)

FAILED, WRONG_INPUT = 1, 2
DEMO_OUT = Path("demo_out")


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"occlusim {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Look after the options that stand before a command."""


class Progress:
    """One line a stage on stderr, with the seconds since the start."""

    def __init__(self) -> None:
        self._console = Console(stderr=True, highlight=False)
        self._start = time.perf_counter()

    def __call__(self, stage: str) -> None:
        """Say what is being done."""
        seconds = time.perf_counter() - self._start
        self._console.print(f"{seconds:6.1f} s  {stage}", markup=False, soft_wrap=True)


@app.command(
    epilog="Example: occlusim inspect upper.stl lower.stl crown.ply",
)
def inspect(
    meshes: Annotated[list[Path], typer.Argument(metavar="MESH...", help="STL, PLY or OBJ files.")],
    units: Annotated[str, typer.Option(help="Unit: mm, m, cm, um or inch.")] = "mm",
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON instead of words.")] = False,
) -> None:
    """Say what each mesh file holds and what is wrong with it. Exit code 2: cannot be used."""
    from occlusim.files.inspection import inspect_mesh  # noqa: PLC0415

    reports = [inspect_mesh(path, units=units) for path in meshes]
    if as_json:
        typer.echo(json.dumps([report.as_dict() for report in reports], indent=2))
    else:
        for report in reports:
            typer.echo("\n".join(report.lines()))
    if not all(report.usable for report in reports):
        raise typer.Exit(WRONG_INPUT)


@app.command(
    epilog="Example: occlusim check molar-46.toml --out molar-46-out",
)
def check(
    case: Annotated[Path, typer.Argument(metavar="CASE.toml", help="The case file.")],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the results.")],
    as_json: Annotated[bool, typer.Option("--json", help="Print the results as JSON.")] = False,
    pictures: Annotated[bool, typer.Option(help="Draw the PNG pictures.")] = True,
) -> None:
    """Check a crown: register, close, move, find high spots, adjust, and prove it again."""
    _check(case, out, as_json=as_json, pictures=pictures)


@app.command(
    epilog="Example: occlusim register molar-46.toml --out molar-46-bite",
)
def register(
    case: Annotated[
        Path, typer.Argument(metavar="CASE.toml", help="The case file; a crown is not needed.")
    ],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the results.")],
    as_json: Annotated[bool, typer.Option("--json", help="Print the results as JSON.")] = False,
) -> None:
    """Register the bite alone and say how far to trust it. Exit code 1: the record is refused."""
    progress = _begin()
    from occlusim.pipeline import register_case  # noqa: PLC0415

    try:
        result = register_case(case, out, progress=progress)
    except OcclusimError as error:
        _fail(error)
    if as_json:
        typer.echo((result.folder / "results.json").read_text(encoding="utf-8"))
    else:
        typer.echo(result.summary())
        typer.echo(f"Results: {result.folder.resolve()}")
    _end(progress)
    if not result.accepted:
        raise typer.Exit(FAILED)


@app.command(epilog="Example: occlusim demo --out demo_out")
def demo(
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Folder for the results.")
    ] = Path("demo_out"),
    case: Annotated[str, typer.Option(help="Name of the demo case.")] = "molar-46",
    as_json: Annotated[bool, typer.Option("--json", help="Print the results as JSON.")] = False,
    pictures: Annotated[bool, typer.Option(help="Draw the PNG pictures.")] = True,
) -> None:
    """Run the main job on an invented case that comes with the package."""
    from occlusim.demo import demo_case  # noqa: PLC0415

    try:
        path = demo_case(case)
    except InputError as error:
        _fail(error)
    _check(path, out, as_json=as_json, pictures=pictures)


@app.command(name="app", epilog="Example: occlusim app --folder cases")
def page(
    folder: Annotated[
        Path, typer.Option("--folder", metavar="CASES", help="Folder that holds the cases.")
    ] = Path("~/occlusim-cases"),
    port: Annotated[
        int, typer.Option(min=0, max=65535, help="Port on this machine; 0 takes a free one.")
    ] = 0,
    browser: Annotated[bool, typer.Option(help="Open the page in the browser.")] = True,
) -> None:
    """Open a page in the browser to check crowns without typing commands; nothing is sent away."""
    progress = Progress()
    progress("loading")
    from occlusim.app.server import serve  # noqa: PLC0415

    try:
        serve(folder, port, browser=browser, say=progress)
    except OcclusimError as error:
        _fail(error)
    except KeyboardInterrupt:
        progress("ended; cases stay in their folder")


def _check(case: Path, out: Path, *, as_json: bool, pictures: bool) -> None:
    progress = _begin()
    from occlusim.pipeline import check_case  # noqa: PLC0415

    try:
        result = check_case(case, out, progress=progress, pictures=pictures)
    except OcclusimError as error:
        _fail(error)
    if as_json:
        typer.echo((result.folder / "results.json").read_text(encoding="utf-8"))
    else:
        typer.echo(result.summary())
        typer.echo(f"Report: {(result.folder / 'report.html').resolve()}")
    _end(progress)


def _begin() -> Progress:
    """Return who is told of the stages, after the slow first imports."""
    progress = Progress()
    progress("loading")
    from occlusim.kernels.jit import is_cache_empty  # noqa: PLC0415

    if is_cache_empty():
        progress("first run on this machine: kernels are compiled as they are needed, once")
    return progress


def _end(progress: Progress) -> None:
    from occlusim.kernels.jit import compile_seconds  # noqa: PLC0415

    compiled = compile_seconds()
    progress(f"done; {compiled:.1f} s of it compiling kernels" if compiled > 1.0 else "done")


def _fail(error: OcclusimError) -> NoReturn:
    typer.echo(f"error: {error}", err=True)
    raise typer.Exit(WRONG_INPUT if isinstance(error, InputError) else FAILED) from None


def main() -> None:
    """Run the command line; an interrupted run leaves no half-written file."""
    try:
        app()
    except KeyboardInterrupt:
        typer.echo("interrupted; nothing was written", err=True)
        sys.exit(130)
