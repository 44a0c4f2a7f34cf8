"""Check every case file in a folder and write one summary table.

Usage: python scripts/batch_check.py demo_arches --out batch_out

Each case gets a folder of its own with the colour-mapped PLY files, the results and the report;
`summary.csv` holds one row a case. A failed case is listed and the rest go on.
Exit code: 0 all done, 1 a case failed, 2 wrong input.
"""

import argparse
import csv
import sys
from pathlib import Path

from occlusim.errors import InputError, OcclusimError
from occlusim.pipeline import check_case

COLUMNS = ["case", "state", "high", "recorded_gap_um", "n_spots", "deepest_um", "movement",
           "n_spots_after", "seconds", "error"]  # fmt: skip


def row_of(case: Path, out: Path, pictures: bool) -> dict[str, object]:
    """Check one case and return its row of the table."""
    try:
        results = check_case(case, out / case.stem, pictures=pictures).results
    except OcclusimError as error:
        return {"case": case.stem, "error": str(error)}
    crown, verdict = results["crown"], results["verdict"]
    deepest = max(crown["spots"], key=lambda spot: spot["depth_um"], default=None)
    return {
        "case": results["case_id"],
        "state": verdict["state"],
        "high": verdict["high"],
        "recorded_gap_um": round(crown["recorded_gap_um"], 1),
        "n_spots": len(crown["spots"]),
        "deepest_um": round(deepest["depth_um"], 1) if deepest else "",
        "movement": deepest["movement"] if deepest else "",
        "n_spots_after": crown["after"]["n_spots"],
        "seconds": round(sum(results["seconds"].values()), 2),
    }


def main() -> int:
    """Read the arguments, check the cases, write the table."""
    parser = argparse.ArgumentParser(description="Check every case file in a folder.")
    parser.add_argument("folder", type=Path, help="folder that holds the .toml case files")
    parser.add_argument("--out", type=Path, required=True, help="folder for the results")
    parser.add_argument("--pictures", action="store_true", help="draw the PNG pictures too")
    arguments = parser.parse_args()
    cases = sorted(arguments.folder.glob("*.toml"))
    if not cases:
        print(f"error: no .toml case file in {arguments.folder}", file=sys.stderr)
        return 2
    rows = [row_of(case, arguments.out, arguments.pictures) for case in cases]
    try:
        arguments.out.mkdir(parents=True, exist_ok=True)
        with (arguments.out / "summary.csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, COLUMNS)
            writer.writeheader()
            writer.writerows(rows)
    except OSError as error:
        raise SystemExit(f"error: {arguments.out} cannot be written: {error}") from InputError()
    for row in rows:
        print(row.get("error") or {k: v for k, v in row.items() if v != ""})
    return 1 if any("error" in row for row in rows) else 0


if __name__ == "__main__":
    sys.exit(main())
