"""An invented case: results with every key, and small meshes of round shapes."""

from copy import deepcopy

import numpy as np

from occlusim.geometry.mesh import PaintedMesh, TriangleMesh
from occlusim.geometry.transform import RigidTransform
from occlusim.report.meshes import AntagonistPose, ReportMeshes

ORIENTATION = np.eye(3)
T_UPPER_LOWER = RigidTransform.exp([0.02, -0.01, 0.03, 1.5, -0.7, 0.4])
AHEAD = RigidTransform.exp([0.0, 0.0, 0.01, 0.1, 0.4, -0.2])
"""Where the antagonist of the invented protrusion stands, against where it is drawn."""

INCISAL_MM = np.array([0.0, 82.3, -35.2])
MIDDLE_MM = np.array([-22.0, 18.0, -3.0])


def dome(n_rings: int = 40) -> TriangleMesh:
    """Return a closed crown-like lump about the origin: four cusps above, flat below."""
    theta = np.linspace(0.0, np.pi, n_rings + 1)[1:-1]
    phi = np.linspace(0.0, 2.0 * np.pi, 2 * n_rings, endpoint=False)
    t, p = np.meshgrid(theta, phi, indexing="ij")
    x, y = 5.0 * np.sin(t) * np.cos(p), 5.5 * np.sin(t) * np.sin(p)
    z = 3.5 * np.cos(t)
    cusp = sum(
        np.exp(-((x - a) ** 2 + (y - b) ** 2) / 2.2) for a in (-2.6, 2.6) for b in (-2.9, 2.9)
    )
    z = np.where(z > 0, np.minimum(z, 2.2) + 1.3 * cusp, z)
    ring = np.stack([x, y, z], axis=-1).reshape(-1, 3)
    vertices = np.vstack([ring, [[0.0, 0.0, 2.2]], [[0.0, 0.0, -3.5]]])
    n_phi, top, bottom = len(phi), len(ring), len(ring) + 1
    faces = []
    for k in range(n_phi):
        after = (k + 1) % n_phi
        faces.append((top, k, after))
        last = (len(theta) - 1) * n_phi
        faces.append((bottom, last + after, last + k))
        for row in range(len(theta) - 1):
            a, b = row * n_phi + k, row * n_phi + after
            faces += [(a, a + n_phi, b + n_phi), (a, b + n_phi, b)]
    return TriangleMesh(vertices, np.array(faces, dtype=np.int32))


def crown_fields(mesh: TriangleMesh) -> dict[str, np.ndarray]:
    """Return smooth invented numbers, unknown on the underside."""
    x, y, z = (mesh.vertices - mesh.vertices.mean(axis=0)).T
    high = 110.0 * np.exp(-((x - 2.6) ** 2 + (y - 2.9) ** 2) / 0.8)
    other = 60.0 * np.exp(-((x + 2.6) ** 2 + (y + 2.9) ** 2) / 0.5)
    gap_um = np.where(z < -2.0, np.nan, 140.0 * (4.4 - z) - 90.0 - high - other)
    of_movements = {
        "centric": np.minimum(100.0, gap_um + 12.0),
        "protrusion": np.minimum(100.0, gap_um + 5.0),
        "laterotrusion_right": np.minimum(100.0, gap_um + 20.0 + 10.0 * x),
    }
    return {
        "gap_um": gap_um,
        "clearance_um": np.min([*of_movements.values()], axis=0),
        **{f"clearance_{name}_um": values for name, values in of_movements.items()},
        "reduction_um": np.where(high + other > 5.0, high + other, 0.0),
        "thickness_um": np.where(z < -2.0, np.nan, 900.0 + 220.0 * (z + 3.0)),
        "probability_high": np.round(np.clip(-gap_um / 100.0, 0.0, 1.0) * 400.0) / 400.0,
    }


def arch(z_mm: float) -> PaintedMesh:
    """Return a row of fourteen lumps along a parabola, painted with an invented gap."""
    lump = dome(10)
    vertices, faces, start = [], [], 0
    for x in np.linspace(-25.0, 25.0, 14):
        place = np.array([x, 45.0 - 0.055 * x**2, z_mm])
        vertices.append(0.62 * lump.vertices * [1.0, 1.0, -np.sign(z_mm)] + place)
        faces.append(lump.faces[:, :: int(-np.sign(z_mm))] + start)
        start += len(lump.vertices)
    mesh = TriangleMesh(np.vstack(vertices), np.vstack(faces))
    gap_um = 160.0 * (np.abs(mesh.vertices[:, 2]) - 1.2)
    return PaintedMesh(mesh, {"gap_um": gap_um})


def meshes(n_rings: int = 40) -> ReportMeshes:
    """Return the meshes of the case; the crown is a lower one, in the lower scan's coordinates."""
    lump = dome(n_rings)
    crown = lump.with_vertices(lump.vertices + MIDDLE_MM)
    fields = crown_fields(crown)
    depth_mm = fields["reduction_um"] / 1000.0
    lowered = crown.with_vertices(crown.vertices - depth_mm[:, None] * [0.0, 0.0, 1.0])
    after = {
        name: np.minimum(100.0, values + fields["reduction_um"])
        if name.startswith("clearance")
        else values + fields["reduction_um"]
        for name, values in fields.items()
        if "gap" in name or "clearance" in name
    }
    other = lump.with_vertices(lump.vertices * [1.1, 1.1, -1.0] + MIDDLE_MM + [0, 0, 6.6])
    antagonist = TriangleMesh(other.vertices, other.faces[:, ::-1])
    T_lower_upper = T_UPPER_LOWER.inverse()
    return ReportMeshes(
        PaintedMesh(crown.transformed(T_lower_upper), fields),
        PaintedMesh(lowered.transformed(T_lower_upper), after),
        PaintedMesh(antagonist.transformed(T_lower_upper)),
        arch(3.0),
        arch(-3.0),
        (
            AntagonistPose("light", 0.0, RigidTransform.identity()),
            AntagonistPose("protrusion", 0.4, AHEAD),
        ),
        (bite(1.0), bite(-1.0)),
    )


def bite(side: float) -> PaintedMesh:
    """Return a bite scan beside the arch, painted with an invented distance from it."""
    lump = dome(12)
    mesh = lump.with_vertices(lump.vertices * [0.3, 2.0, 1.5] + [side * 26.0, 20.0, 0.0])
    residual_um = np.where(mesh.vertices[:, 2] < -4.0, np.nan, 30.0 * mesh.vertices[:, 2])
    return PaintedMesh(mesh, {"residual_um": residual_um})


def _movement(name: str, least_um: float, n_poses: int) -> dict:
    steps = [round(0.1 * k, 3) for k in range(n_poses)]
    gap = [least_um + 9.0 * (k - 6) ** 2 for k in range(n_poses)] if n_poses > 1 else [least_um]
    wanted = [-12.0 + min(1.0, s / 0.5) * 62.0 for s in steps]
    return {
        "name": name,
        "n_poses": n_poses,
        "parameter_mm": steps,
        "gap_um": gap,
        "least_gap_um": least_um,
        "at_parameter_mm": steps[6] if n_poses > 6 else 0.0,
        "supported_gap_um": least_um + 4.4,
        "wanted_gap_um": wanted,
    }


def _state(total_N: float, crown_N: float | None) -> dict:
    contacts = [
        {
            "upper_tooth": upper,
            "lower_tooth": lower,
            "area_mm2": 0.42,
            "load_N": load_N,
            "centroid_mm": [x, 45.0 - 0.055 * x**2, 0.0],
        }
        for upper, lower, load_N, x in (
            (15, 45, 0.31 * total_N, 20.0),
            (15, 45, 0.11 * total_N, 18.0),
            (26, 36, 0.27 * total_N, -21.0),
            (24, 34, 0.17 * total_N, -14.0),
        )
    ]
    return {
        "rotation_deg": 0.0374,
        "total_load_N": total_N,
        "crown_load_N": crown_N,
        "crown_share": None if crown_N is None else crown_N / total_N,
        "joint_N": {"right": 0.4 * total_N, "left": 0.38 * total_N},
        "contacts": contacts,
    }


def _jaw_path(name: str, end: list[float], right: list[float], left: list[float]) -> dict:
    """Return an invented movement that goes straight in 5 steps; ends are displacements, mm."""
    share = np.linspace(0.0, 1.0, 5 if any(end) else 1)
    return {
        "name": name,
        "parameter_mm": (share * (-1.0 if end[1] < 0 else 3.0)).round(3).tolist(),
        "incisal_jaw_mm": (INCISAL_MM + share[:, None] * end).tolist(),
        "right_condyle_jaw_mm": (np.array([50.0, 0, 0]) + share[:, None] * right).tolist(),
        "left_condyle_jaw_mm": (np.array([-50.0, 0, 0]) + share[:, None] * left).tolist(),
        "incisal_displacement_mm": (share * np.linalg.norm(end)).tolist(),
        "opening_deg": (0.713 * share).tolist(),
    }


def _motion() -> dict:
    still, ahead = [0.0, 0.0, 0.0], [0.2, 3.0, -1.93]
    movements = [
        _jaw_path("centric", still, still, still),
        _jaw_path("protrusion", [0.11, 2.37, -2.28], ahead, ahead),
        _jaw_path("laterotrusion_right", [3.36, 0.84, -2.34], [0.43, 0.0, 0.0], ahead),
        _jaw_path("lateroprotrusion_left_22_5", [-1.35, 2.16, -2.35], ahead, [0, 2.12, -1.4]),
        _jaw_path("retrusive_slide", [0.31, -1.46, -1.26], [0, -0.8, 0.2], [0, -0.9, 0.3]),
    ]
    opening_mm = np.linspace(0.0, 20.0, 5)
    way = opening_mm[:, None] * np.array([0.0, -0.5, -np.sqrt(0.75)])
    arcs = [
        {
            "name": one["name"],
            "incisal_jaw_mm": (np.array(one["incisal_jaw_mm"][-1]) + way).tolist(),
        }
        for one in movements
    ]
    return {
        "incisal_jaw_mm": INCISAL_MM.tolist(),
        "movements": movements,
        "border": {"opening_mm": opening_mm.tolist(), "arcs": arcs},
        "slide": {
            "source": "bite scans",
            "state": "doubtful",
            "reasons": ["the retruded bite scan shows little of the lower arch: scan it again"],
            "T_upper_lower": np.eye(4).tolist(),
            "length_mm": 1.953,
            "forward_mm": 1.461,
            "right_mm": -0.313,
            "up_mm": 1.258,
        },
    }


_RESULTS = {
    "schema": 1,
    "occlusim_version": "0.1.0",
    "case_id": "made-up-36",
    "started": "2026-01-05T09:30:00+00:00",
    "seconds": {"scans": 1.234, "bite_registration": 0.876},
    "inputs": [
        {
            "role": "upper",
            "file": "upper.ply",
            "sha256": "ab" * 32,
            "n_vertices": 81234,
            "n_faces": 161777,
        },
        {
            "role": "crown",
            "file": "crown.ply",
            "sha256": "cd" * 32,
            "n_vertices": 15555,
            "n_faces": 31106,
        },
    ],
    "findings": [
        {
            "severity": "info",
            "code": "specks",
            "message": "3 loose specks were left out of upper.ply.",
        },
        {"severity": "warning", "code": "mask", "message": "Near the crown <b>& beside</b> it."},
    ],
    "verdict": {
        "state": "doubtful",
        "high": True,
        "reasons": ["right and left bite scans disagree by more than 30 µm"],
        "coverage": 0.987,
    },
    "registration": {
        "T_upper_lower": T_UPPER_LOWER.matrix.tolist(),
        "rms_um": 23.4,
        "bites": [
            {"file": "bite_right.ply", "rms_um": 21.2, "agreement": 0.8341, "n_independent": 201.4},
            {"file": "bite_left.ply", "rms_um": 25.1, "agreement": 0.7926, "n_independent": 187.6},
        ],
        "covariance": (np.diag([1e-4, 2e-4, 3e-4, 8e-3, 9e-3, 7e-3]) ** 2).tolist(),
        "side_disagreement_um": 41.3,
        "accepted": True,
        "reasons": [],
    },
    "mounting": {
        "method": "landmarks with mean values",
        "right_condyle_mm": [52.1, -41.2, 31.3],
        "left_condyle_mm": [-51.7, -40.9, 30.8],
    },
    "closure": {
        "light": {"without_crown": _state(20.0, None), "with_crown": _state(20.0, 13.7)},
        "heavy": {"without_crown": _state(200.0, None), "with_crown": _state(200.0, 96.4)},
        "others": [{"without_crown": _state(60.0, None), "with_crown": _state(60.0, 33.1)}],
    },
    "datum": {
        "g_nat_um": -37.2,
        "pairs": [[24, 34], [25, 35], [27, 37]],
        "disagreement_um": 34.6,
        "foil": [],
    },
    "motion": _motion(),
    "crown": {
        "tooth": "36",
        "recorded_gap_um": -142.7,
        "missing_contact_um": None,
        "removed_volume_mm3": 0.069,
        "incisal_opening_um": 331.4,
        "movements": [
            _movement("centric", -98.3, 1),
            _movement("protrusion", -61.2, 30),
            _movement("laterotrusion_right", 24.6, 25),
            _movement("laterotrusion_left", -8.8, 25),
        ],
        "spots": [
            {
                "id": 1,
                "movement": "centric",
                "depth_um": 108.6,
                "normal_depth_um": 97.3,
                "area_mm2": 1.234,
                "volume_mm3": 0.0567,
                "centroid_mm": [-19.4, 20.9, 0.6],
                "location": "mesiobuccal cusp",
                "thickness_left_mm": 1.376,
                "feasible": True,
                "shortfall_um": 0.0,
                "order": 1,
                "left_high_um": 58.2,
            },
            {
                "id": 2,
                "movement": "laterotrusion_left",
                "depth_um": 58.2,
                "normal_depth_um": 51.9,
                "area_mm2": 0.481,
                "volume_mm3": 0.0123,
                "centroid_mm": [-24.6, 15.1, 0.6],
                "location": "distolingual cusp",
                "thickness_left_mm": 0.942,
                "feasible": False,
                "shortfall_um": 20.4,
                "order": 2,
                "left_high_um": 20.4,
            },
        ],
        "after": {
            "recorded_gap_um": -36.4,
            "movements": [_movement("centric", -12.4, 1), _movement("protrusion", 50.3, 30)],
            "n_spots": 0,
        },
    },
    "settings": {
        "loads": {"light_N": 20.0, "heavy_N": 200.0},
        "targets": {"centric_um": 25.0, "ramp_mm": 0.5},
    },
}


def results() -> dict:
    """Return a fresh copy of the results of the case."""
    return deepcopy(_RESULTS)
