"""Compare the results of a demo case with what was built into it.

Usage: python scripts/compare_truth.py demo_out/results.json demo_arches/molar-46.truth.json

Limits are those of a case with scanner noise. Exit code: 0 they agree, 1 they do not.
"""

import json
import sys
from pathlib import Path

from occlusim.demo import TruthLimits, disagreements


def main() -> int:
    """Compare and say where they differ."""
    if len(sys.argv) != 3:
        print(__doc__, file=sys.stderr)
        return 2
    results, truth = (json.loads(Path(name).read_text(encoding="utf-8")) for name in sys.argv[1:])
    limits = TruthLimits(depth_um=40.0, place_mm=0.5, gap_um=40.0, extra_um=20.0)
    said = disagreements(results, truth, limits)
    print("\n".join(said) or f"{results['case_id']}: agrees with its truth")
    return 1 if said else 0


if __name__ == "__main__":
    sys.exit(main())
