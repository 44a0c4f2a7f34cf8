"""Check one case from Python: the answer, the gap map as an array, the crown for other libraries.

Usage: python scripts/one_case.py demo_arches/molar-46.toml --out molar-46-out

Writes the report and all other files of `occlusim check`, and `crown_gap.npz` with the vertices
(mm), faces and gaps (um) of the crown. Exit code: 0 done, 1 no answer, 2 wrong input.
"""

import argparse
import sys
from pathlib import Path

import numpy as np

import occlusim
from occlusim.errors import InputError, OcclusimError


def main() -> int:
    """Read the arguments, check the case, say what was found."""
    parser = argparse.ArgumentParser(description="Check one case from Python.")
    parser.add_argument("case", type=Path, help="the .toml case file")
    parser.add_argument("--out", type=Path, required=True, help="folder for the results")
    parser.add_argument("--pictures", action="store_true", help="draw the PNG pictures too")
    arguments = parser.parse_args()
    try:
        result = occlusim.check(arguments.case, arguments.out, pictures=arguments.pictures)
    except OcclusimError as error:
        print(f"error: {error}", file=sys.stderr)
        return 2 if isinstance(error, InputError) else 1

    print(result.summary())
    crown = result.mesh("crown")
    gap_um = crown.fields["gap_um"]
    known = np.isfinite(gap_um)
    print(
        f"Gap at the light closure: known at {known.sum()} of {len(gap_um)} vertices, "
        f"least {gap_um[known].min():.1f} um"
    )
    for spot in result.results["crown"]["spots"]:
        print(f"spot {spot['id']}: {spot['depth_um']:.1f} um, {spot['movement']}")
    np.savez_compressed(
        arguments.out / "crown_gap.npz", vertices=crown.vertices, faces=crown.faces, gap_um=gap_um
    )
    print(f"Report: {result.report.resolve()}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
