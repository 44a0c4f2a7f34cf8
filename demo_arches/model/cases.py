"""The four cases: what is built in, the frames of the files, case files and truth files."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from demo_arches.model import crowns
from demo_arches.model.motion import HALF_WIDTH_MM, RANGE_MM
from demo_arches.noise import write_ply


def rigid(euler_deg, translation, about=(0.0, 0.0, 0.0)) -> np.ndarray:
    """Return a (4, 4) transform: rotations about x, y, z in turn through a point, then a shift."""
    x, y, z = np.deg2rad(euler_deg)
    rx = np.array([[1, 0, 0], [0, np.cos(x), -np.sin(x)], [0, np.sin(x), np.cos(x)]])
    ry = np.array([[np.cos(y), 0, np.sin(y)], [0, 1, 0], [-np.sin(y), 0, np.cos(y)]])
    rz = np.array([[np.cos(z), -np.sin(z), 0], [np.sin(z), np.cos(z), 0], [0, 0, 1]])
    T = np.eye(4)
    T[:3, :3] = rz @ ry @ rx
    T[:3, 3] = np.array(about) - T[:3, :3] @ np.array(about) + np.array(translation)
    return T


MIDDLE = (0.0, 64.0, -36.0)
_TO_ORIGIN = rigid((0, 0, 0), (0.0, -64.0, 36.0))
T_FILE_JAW = {
    "upper": rigid((4.0, -3.0, 11.0), (3.0, -5.0, 8.0)) @ _TO_ORIGIN,
    "lower": rigid((-6.0, 2.5, -17.0), (-4.0, 6.0, -9.0)) @ _TO_ORIGIN,
}
T_UPPER_LOWER = T_FILE_JAW["upper"] @ np.linalg.inv(T_FILE_JAW["lower"])
# the start that a case file gives: off by about a degree and a millimetre, and rounded
_START = rigid((0.7, -0.5, 0.6), (0.5, -0.6, 0.5), (3.0, -5.0, 8.0)) @ T_UPPER_LOWER


def bite_frame(side: str) -> np.ndarray:
    """Return the transform (4, 4) from the building frame into a bite scan's file."""
    off = {"right": ((0.8, -0.6, 1.0), (0.4, -0.5, 0.3)),
           "left": ((-0.7, 0.9, -0.6), (-0.5, 0.3, -0.4))}[side]  # fmt: skip
    return rigid(*off, about=(3.0, -5.0, 8.0)) @ T_FILE_JAW["upper"]


def to_upper(points: np.ndarray) -> np.ndarray:
    """Return points carried from the building frame into the upper scan's coordinates."""
    T = T_FILE_JAW["upper"]
    return np.asarray(points) @ T[:3, :3].T + T[:3, 3]


@dataclass
class DemoCase:
    """One case: the tooth, its support, and what is built in."""

    name: str
    pair: str
    tooth: int
    support: str
    centric_um: float
    relief_mm: float | None
    build_in: Callable
    about: str
    mounting: str = "condyles"
    margin_mm: float = crowns.MARGIN_MM
    screw_seat: tuple[float, float, float] | None = None  # in the crown's file


def _high_in_closure_and_one_side(crown, log) -> None:
    raised = crowns.build_in_excursion(crown, ["laterotrusion_left"], 0.075, log)
    centres = crowns.contact_centres(crown, 2, raised)
    for place, depth in zip(centres, (0.090, 0.060), strict=True):
        crowns.build_in(crown, place, "centric", depth, depth, log)


def _one_excursion(crown, log) -> None:
    crowns.build_in_excursion(crown, ["laterotrusion_left"], 0.075, log)


def _nothing(_crown, _log) -> None:
    pass


CASES = [
    DemoCase("molar-46", "a", 46, "implant", 25.0, 0.025, _high_in_closure_and_one_side,
             "implant crown, high at two places in closure and at one in laterotrusion",
             screw_seat=(12.84, -9.97, -13.43)),
    DemoCase("premolar-24", "a", 24, "tooth", 0.0, None, _one_excursion,
             "crown on a tooth, right in closure, interfering on a cusp slope in excursion"),
    DemoCase("molar-36-low", "b", 36, "tooth", 0.0, 0.120, _nothing,
             "crown on a tooth, 120 um short of contact everywhere"),
    DemoCase("molar-16-clean", "b", 16, "tooth", 0.0, 0.010, _nothing,
             "crown on a tooth, touching 10 um lighter than natural teeth: nothing to do",
             "landmarks", 0.040),
]  # fmt: skip


def write_crown(case: DemoCase, crown, out: Path, log) -> dict:
    """Write the crown in its arch's coordinates; return the exact facts about it."""
    T = T_FILE_JAW[crown.jaw]
    write_ply(out / "crowns" / f"{case.name}.ply", crown.vertices @ T[:3, :3].T + T[:3, 3],
              crown.faces)  # fmt: skip
    rows = np.flatnonzero(crown.occlusal)
    rough = crown.gap(np.eye(4), crown.vertices[rows])
    few = rows[np.argsort(rough)[:200]]
    near = crowns.on_facets(crown.vertices, crown.faces, few)
    gap = crown.gap(np.eye(4), near, exact=True)
    closed = crown.gap(crown.guidance.pose("centric", 0.0), near, exact=True)
    spots = []
    for spot in crown.spots:
        depths = {m: crowns.depth_at(crown, crown.vertices, spot["centre"], m)
                  for m in ("centric", *RANGE_MM)}  # fmt: skip
        first = {m: crowns.depth_at(crown, crown.vertices, spot["centre"], m, loaded=False)[0]
                 for m in ("centric", *RANGE_MM)}  # fmt: skip
        movement = spot["movement"]
        _depth, vertex, _s = depths[movement]
        depth, _vertex, s = max(depths.values())
        spots.append({
            "movement": movement,
            "centroid_mm": to_upper(crown.vertices[vertex]).round(4).tolist(),
            "bump_middle_mm": to_upper(spot["centre"]).round(4).tolist(),
            "depth_um": round(1e3 * depth, 2),
            "at_parameter_mm": round(s, 3),
            "depth_by_movement_um": {m: round(1e3 * d[0], 2) for m, d in depths.items()},
            "depth_first_contact_um": round(1e3 * max(first.values()), 2),
            "depth_by_movement_first_contact_um": {
                m: round(1e3 * d, 2) for m, d in first.items()},
            "bump_height_um": round(spot["bump_height_um"], 2),
            "bump_radius_mm": spot["radius_mm"],
        })  # fmt: skip
    far = np.ones(len(rows), bool)
    for spot in crown.spots:
        far &= np.linalg.norm(crown.vertices[rows] - spot["centre"], axis=1) > 1.2
    left = {m: round(1e3 * float(-w[0].max()), 2)
            for m, w in crown.excess(crown.vertices[rows[far]]).items()}  # fmt: skip
    log(f"  recorded gap {1e3 * gap.min():.2f} um, spare elsewhere {left}")
    openings = {}
    for m, path in crown.guidance.first.items():
        openings[m] = {
            "parameter_mm": path.x.round(3).tolist(),
            "opening_first_contact_deg": np.degrees(path(path.x)).round(6).tolist(),
            "opening_light_load_deg": np.degrees(
                crown.guidance.loaded[m](path.x)).round(6).tolist(),
            "guiding_teeth": crown.guidance.touching[m],
        }  # fmt: skip
    return {
        "recorded_gap_um": round(1e3 * float(gap.min()), 2),
        "closed_spare_um": round(1e3 * float(closed.min() - crown.wanted(0.0)), 2),
        "g_nat_um": round(1e3 * crown.natural_mm, 2),
        "closure_light_load_deg": round(float(np.degrees(crown.guidance.closed)), 7),
        "spots": spots,
        "spare_elsewhere_um": left,
        "tooth_guided": openings,
    }


def write_case(case: DemoCase, upper, lower, out: Path) -> None:
    """Write a case file."""
    pair = case.pair
    row = "[" + ", ".join("[" + ", ".join(f"{x:.9f}" for x in r) + "]" for r in _start()) + "]"
    arch = lower if case.tooth // 10 >= 3 else upper
    axis = -arch.axes[arch.index(case.tooth), 2] @ T_FILE_JAW[arch.jaw][:3, :3].T
    if case.mounting == "condyles":
        right, left = to_upper(np.array([[HALF_WIDTH_MM, 0, 0], [-HALF_WIDTH_MM, 0, 0]]))
        mounting = f"right_condyle_mm = {_list(right)}\nleft_condyle_mm = {_list(left)}"
    else:
        mounting = "\n".join(f"{k} = {_list(v)}" for k, v in landmarks(lower).items())
    text = f'''# {case.about}; invented
schema = 1
id = "{case.name}"

[scans]
upper = "upper_{pair}.ply"
lower = "lower_{pair}.ply"
bites = ["bite_right_{pair}.ply", "bite_left_{pair}.ply"]
T_upper_lower = {row}

[crown]
mesh = "crowns/{case.name}.ply"
tooth = "{case.tooth}"
support = "{case.support}"
guidance = "none"
seating_axis = {_list(axis)}
min_thickness_mm = 1.0

{_access(case, axis)}[mounting]
{mounting}

[guidance]
inclination_plane = "occlusal"
sagittal_inclination_deg = {{ right = 33.0, left = 33.0 }}
bennett_angle_deg = {{ right = 7.5, left = 7.5 }}
immediate_side_shift_mm = {{ right = 0.0, left = 0.0 }}

[movements]
protrusion_mm = 2.5
laterotrusion_mm = 3.0
step_mm = 0.1

{_loads(case)}[targets]
centric_um = {case.centric_um:g}
excursion_um = 50
ramp_mm = 0.5
'''
    (out / f"{case.name}.toml").write_text(text)


def _access(case: DemoCase, axis) -> str:
    """Return the screw access of a crown on an implant, along its axis."""
    if case.screw_seat is None:
        return ""
    return f"""[crown.access]
point_mm = {_list(case.screw_seat)}
axis = {_list(-np.asarray(axis))}
diameter_mm = 2.4
max_tilt_deg = 25.0

"""


def _loads(case: DemoCase) -> str:
    """Return how teeth give way where the truth is about a few micrometres in closing."""
    if case.pair == "a":
        return ""
    why = "the truth has rigid teeth; held, they would move it by 3 to 7 um"
    return f'[loads]\npace = "quick"   # {why}\n\n'


def _start() -> np.ndarray:
    """Return the start matrix, rounded yet a proper rotation within the file's decimals."""
    return _START.round(9)


def _list(v) -> str:
    return "[" + ", ".join(f"{x:.4f}" for x in v) + "]"


def landmarks(lower) -> dict[str, np.ndarray]:
    """Return the lower incisal point and distobuccal cusps of the last molars, file frame."""
    T = T_FILE_JAW["lower"]

    def place(number, lobe):
        i = lower.index(number)
        s = lower.shapes[i].lobes[lobe]
        return lower.origin[i] + np.array([s[0], s[1], s[2]]) @ lower.axes[i]

    incisal = 0.5 * (place(41, 0) + place(31, 0))
    points = {"incisal_mm": incisal, "right_molar_mm": place(47, 1), "left_molar_mm": place(37, 1)}
    return {k: p @ T[:3, :3].T + T[:3, 3] for k, p in points.items()}


def teeth_table(upper, lower) -> dict:
    """Return where the teeth stand: number, middle, axes and cusps, in their file's frame."""
    table = {}
    for arch in (upper, lower):
        T = T_FILE_JAW[arch.jaw]
        teeth = {}
        for i, number in enumerate(arch.numbers):
            shape = arch.shapes[i]
            cusps = {}
            for name, k in shape.cusps.items():
                p = arch.origin[i] + np.array(shape.lobes[k][:3]) @ arch.axes[i]
                cusps[name] = (T[:3, :3] @ p + T[:3, 3]).round(3).tolist()
            teeth[str(number)] = {
                "middle_mm": (T[:3, :3] @ arch.origin[i] + T[:3, 3]).round(3).tolist(),
                "mesial_buccal_occlusal": (arch.axes[i] @ T[:3, :3].T).round(5).tolist(),
                "crown_length_mm": shape.length,
                "cusps_mm": cusps,
            }
        table[arch.jaw] = {"T_jaw_file": np.linalg.inv(T).tolist(), "teeth": teeth}
    return table


def truth_of(case: DemoCase, made: dict, noise: dict, seed: int) -> dict:
    """Return the content of a truth file."""
    pair = case.pair
    files = [f"upper_{pair}.ply", f"lower_{pair}.ply", f"bite_right_{pair}.ply",
             f"bite_left_{pair}.ply"]  # fmt: skip
    upper = T_FILE_JAW["upper"]
    condyles = to_upper(np.array([[HALF_WIDTH_MM, 0, 0], [-HALF_WIDTH_MM, 0, 0]]))
    return {
        "case": case.name,
        "about": case.about,
        "built_by": "python -m demo_arches.build",
        "seed": seed,
        "noise": {f: noise[f] for f in files},
        "crown_noise": None,
        "T_upper_lower": T_UPPER_LOWER.tolist(),
        "T_upper_bite": {f"bite_{s}_{pair}.ply": (upper @ np.linalg.inv(bite_frame(s))).tolist()
                         for s in ("right", "left")},
        "T_jaw_upper": np.linalg.inv(upper).tolist(),
        "right_condyle_mm": condyles[0].round(6).tolist(),
        "left_condyle_mm": condyles[1].round(6).tolist(),
        "low_um": made["closed_spare_um"] if case.name == "molar-36-low" else 0.0,
        "nothing_to_do": case.name == "molar-16-clean",
        **made,
        "notes": [
            "Points are in the upper scan's coordinates at the recorded bite.",
            "depth_um = wanted gap - gap of the crown as built, the largest over the closure and "
            "all movements' paths and over the crown's faces, from exact closest points on the "
            "antagonist's implicit surface; movement is the one it is built into; wanted is "
            "g_nat_um + centric_um in closure and grows from there to excursion_um over ramp_mm.",
            "The natural teeth touch without load at the recorded bite (gap 0 over worn facets). "
            "They guide every movement at a light load: 20 N of vertical force on an elastic "
            "foundation of 300 MPa/mm, which closes the jaw a little beyond first contact; "
            "depth_first_contact_um and opening_first_contact_deg are without load.",
            "closed_spare_um: the least of gap - wanted in closure at light load; low_um of the "
            "low crown is the same.",
            "spare_elsewhere_um: the least of gap - wanted away from the spots, by movement.",
        ],
    }  # fmt: skip
