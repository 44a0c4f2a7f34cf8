"""Build the demo arches, bite scans, crowns and case files: ``python -m demo_arches.build``.

One seed, no input. Everything is invented. See `model/` for the parts and README.md for the frame
and what is built in.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import numpy as np

from demo_arches.model import cases, crowns, meshing
from demo_arches.model.fit import settle
from demo_arches.model.motion import Guidance, guided_wear, touching_poses
from demo_arches.model.surface import Field
from demo_arches.model.teeth import Arch, build_arch, healing_abutment, prepared_stump
from demo_arches.noise import scan_noise, write_ply

SEED = 20
FOLDER = Path(__file__).parent
ARCH_SIGMA_UM = 5.0
BITE_SIGMA_UM = 8.0
PAIRS = {"a": {24: prepared_stump, 46: healing_abutment},
         "b": {16: prepared_stump, 36: prepared_stump}}  # fmt: skip


def log(text: str) -> None:
    """Print a line of progress at once."""
    print(f"[{time.strftime('%H:%M:%S')}] {text}", flush=True)


def natural_arches() -> tuple[Arch, Arch, tuple]:
    """Return both arches with all teeth, settled, and the poses that wear the lower one."""
    upper, lower = build_arch("upper", SEED + 1), build_arch("lower", SEED + 2)
    settle(upper, lower, rounds=11, log=log)
    return upper, lower, guided_wear(lower, upper, log)


def altered(arch: Arch, pair: str) -> Arch:
    """Return an arch with a pair's abutments and stumps in place of its crowned teeth."""
    shapes = list(arch.shapes)
    for number, change in PAIRS[pair].items():
        if number in arch.numbers:
            shapes[arch.index(number)] = change(shapes[arch.index(number)])
    return Arch(arch.jaw, arch.numbers, shapes, arch.origin, arch.axes)


def fields_of(pair: str, upper: Arch, lower: Arch, wear):
    """Return a pair's arches, their scan fields and their fields of teeth alone."""
    u, w = altered(upper, pair), altered(lower, pair)
    return (u, w, Field(u), Field(w, upper, wear), Field(u, what="teeth"),
            Field(w, upper, wear, what="teeth"))  # fmt: skip


def build_pair(pair: str, upper: Arch, lower: Arch, wear, poses, out: Path):
    """Write a pair's arches, bites and crowns; return each file's noise and each crown's facts."""
    u, w, fu, fl, tu, tl = fields_of(pair, upper, lower, wear)
    near = meshing.nearness(upper, lower, poses)
    noise, made = {}, {}
    jobs = [(f"lower_{pair}.ply", cases.T_FILE_JAW["lower"], ARCH_SIGMA_UM,
             lambda: meshing.arch_mesh(w, fl, near["lower"], 0.4)),
            (f"upper_{pair}.ply", cases.T_FILE_JAW["upper"], ARCH_SIGMA_UM,
             lambda: meshing.arch_mesh(u, fu, near["upper"], 0.1))]  # fmt: skip
    jobs += [(f"bite_{side}_{pair}.ply", cases.bite_frame(side), BITE_SIGMA_UM,
              lambda side=side: meshing.bite_mesh(side, u, w, fu, fl, tu, tl))
             for side in ("right", "left")]  # fmt: skip
    meshes = []
    for *_, make in jobs:
        meshes.append(make())
    guidance = Guidance(meshes[0], meshing.nearest_tooth(w, meshes[0][0]), tl, tu, log)
    places = {"lower": [], "upper": []}
    for case in cases.CASES:
        if case.pair != pair:
            continue
        log(f"crown {case.name}")
        is_lower = case.tooth // 10 >= 3
        arch, antagonist = (lower, tu) if is_lower else (upper, tl)
        crown = crowns.build_crown(
            arch, case.tooth, case.relief_mm, antagonist, guidance, case.centric_um * 1e-3,
            case.support == "implant", log, case.margin_mm,
        )  # fmt: skip
        case.build_in(crown, log)
        made[case.name] = cases.write_crown(case, crown, out, log)
        places["upper" if is_lower else "lower"].extend(crowns.feet(crown))
    for k, (jaw, field) in enumerate((("lower", fl), ("upper", fu))):
        meshes[k] = meshing.focused(*meshes[k], field, np.array(places[jaw]).reshape(-1, 3))
    for k, (name, T, sigma, _make) in enumerate(jobs):
        vertices, faces = meshes[k]
        seed = SEED * 1000 + 10 * list(PAIRS).index(pair) + k
        moved = vertices @ T[:3, :3].T + T[:3, 3]
        write_ply(out / name, moved + scan_noise(len(moved), faces, seed, sigma), faces)
        noise[name] = {"seed": seed, "sigma_um": sigma}
        log(f"{name}: {meshing.quality(vertices, faces)}")
    return noise, made


def main(out: Path = FOLDER) -> None:
    """Build everything into a folder."""
    (out / "crowns").mkdir(parents=True, exist_ok=True)
    upper, lower, wear = natural_arches()
    table = json.dumps(cases.teeth_table(upper, lower), indent=1)
    (out / "teeth.json").write_text(table + "\n")
    poses = touching_poses(lower, upper, wear)
    made, noise = {}, {}
    for pair in PAIRS:
        files, facts = build_pair(pair, upper, lower, wear, poses, out)
        noise, made = noise | files, made | facts
    for case in cases.CASES:
        cases.write_case(case, upper, lower, out)
        truth = cases.truth_of(case, made[case.name], noise, SEED)
        (out / f"{case.name}.truth.json").write_text(json.dumps(truth, indent=1) + "\n")
    log("done")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER)
