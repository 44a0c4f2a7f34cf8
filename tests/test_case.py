"""A case holds what its file says, in the file's units, and nothing that cannot be right."""

import copy

import numpy as np
import pytest
from numpy.testing import assert_allclose
from pydantic import ValidationError

from occlusim.case import Case
from occlusim.registration.shared_frame import SharedFrameSettings

PLAIN = {
    "schema": 1,
    "id": "molar-46",
    "scans": {"upper": "upper.ply", "lower": "lower.ply"},
    "crown": {"mesh": "crown.ply", "tooth": "46", "support": "implant"},
}


def case(**changes) -> Case:
    """Return the plain case with some keys changed; a dot goes into a table, None removes."""
    data = copy.deepcopy(PLAIN)
    for dotted, value in changes.items():
        table, _, key = dotted.rpartition("__")
        place = data.setdefault(table, {}) if table else data
        if value is None:
            place.pop(key)
        else:
            place[key] = value
    return Case.model_validate(data)


def test_defaults_are_those_of_the_contract():
    plain = case()
    assert plain.scans.units == "mm"
    assert plain.scans.bites == ()
    assert plain.scans.given_pose is None
    assert plain.movements.protrusion_mm == 5.0
    assert plain.movements.laterotrusion_mm == 4.0
    assert plain.movements.step_mm == 0.1
    assert (plain.loads.light_N, plain.loads.heavy_N) == (20.0, 200.0)
    assert plain.guidance.sagittal_inclination_deg.right == 33.0
    assert plain.guidance.bennett_angle_deg.left == 7.5
    assert plain.guidance.immediate_side_shift_mm.left == 0.0
    targets = plain.targets
    assert (targets.excursion_um, targets.ramp_mm, targets.tolerance_um) == (50.0, 0.5, 10.0)
    crown = plain.crowns[0]
    assert (crown.min_thickness_mm, crown.iso, crown.is_upper) == (1.0, (46,), False)


def test_a_case_may_have_no_crown_yet():
    assert case(crown=[]).crowns == ()
    without = copy.deepcopy(PLAIN)
    del without["crown"]
    assert Case.model_validate(without).crowns == ()


def test_the_spread_of_a_given_pose_is_a_setting_with_the_stages_default():
    assert case().registration.given_sigma_um == SharedFrameSettings().displacement_sigma_um
    assert case(registration__given_sigma_um=20).registration.given_sigma_um == 20.0


def test_centric_target_follows_the_support_unless_it_is_given():
    assert case().centric_um(case().crowns[0]) == 25.0
    on_tooth = case(crown__support="tooth")
    assert on_tooth.centric_um(on_tooth.crowns[0]) == 0.0
    given = case(targets__centric_um=-5)
    assert given.centric_um(given.crowns[0]) == -5.0


def test_universal_number_names_the_same_tooth():
    assert case(crown__tooth=None, crown__universal=30).crowns[0].iso == (46,)
    assert case(crown__tooth=None, crown__universal=8).crowns[0].iso == (11,)
    assert case(crown__tooth=None, crown__teeth=["45", "46"]).crowns[0].iso == (46, 45)


def test_guidance_is_none_behind_and_must_be_stated_in_front():
    assert case().crowns[0].guidance == "none"
    assert case(crown__tooth="13").crowns[0].guidance is None
    assert case(crown__tooth="13", crown__guidance="guides").crowns[0].guidance == "guides"


def test_one_number_serves_both_sides_and_two_stay_two():
    one = case(guidance={"inclination_plane": "camper", "bennett_angle_deg": 10})
    assert (one.guidance.bennett_angle_deg.right, one.guidance.bennett_angle_deg.left) == (10, 10)
    two = case(guidance__immediate_side_shift_mm={"right": 0.5, "left": 1})
    assert two.guidance.immediate_side_shift_mm.left == 1.0


def test_condylar_paths_are_straight_unless_a_radius_is_given():
    plain = case().guidance.path_radius_mm
    assert (plain.right, plain.left) == (None, None)
    one = case(guidance__path_radius_mm=19).guidance
    assert (one.path_radius_mm.right, one.path_radius_mm.left) == (19.0, 19.0)
    right = case(guidance__path_radius_mm={"right": 25}).guidance.inside()
    assert (right.right.path_radius_mm, right.left.path_radius_mm) == (25.0, None)
    assert_allclose(right.left.bennett_angle_rad, np.deg2rad(7.5), rtol=1e-15, atol=0)


def test_every_lateroprotrusion_is_made_to_both_sides():
    assert case().movements.lateroprotrusion_deg == ()
    asked = case(movements={"lateroprotrusion_deg": [30, 52.5], "laterotrusion_mm": 0}).movements
    assert asked.lengths_mm() == {
        "protrusion": 5.0,
        "lateroprotrusion_right_30": 4.0,
        "lateroprotrusion_left_30": 4.0,
        "lateroprotrusion_right_52_5": 4.0,
        "lateroprotrusion_left_52_5": 4.0,
    }


def test_a_retruded_record_has_a_pose_of_its_own():
    assert case().scans.given_retruded_pose is None
    back = np.eye(4)
    back[1, 3] = -0.8
    scans = case(scans__T_upper_lower_retruded=back.tolist()).scans
    assert scans.given_pose is None
    assert_allclose(scans.given_retruded_pose.translation, [0, -0.8, 0], rtol=0, atol=0)


def test_directions_become_unit_length_and_matrices_exactly_rigid():
    axis = case(crown__seating_axis=[0, 3, -4]).crowns[0].seating_axis
    assert axis is not None
    assert_allclose(axis, [0, 0.6, -0.8], rtol=1e-15, atol=0)
    c, s = np.cos(0.3), np.sin(0.3)
    exact = np.array([[c, -s, 0, 5], [s, c, 0, -2], [0, 0, 1, 1], [0, 0, 0, 1]])
    pose = case(scans__T_upper_lower=np.round(exact, 5).tolist()).scans.given_pose
    assert pose is not None
    assert_allclose(pose.matrix, exact, rtol=0, atol=1e-5)
    assert_allclose(pose.rotation @ pose.rotation.T, np.eye(3), rtol=0, atol=1e-14)


def test_a_bridge_may_have_several_implants_and_pass_a_closed_gap():
    implants = [
        {"tooth": tooth, "platform_mm": [0, 0, 0], "axis": [0, 0, 1]} for tooth in ("44", "46")
    ]
    bridge = {"mesh": "b.ply", "teeth": ["44", "46"], "support": "implant"}
    found = case(crown=bridge, implant=implants, teeth={"missing": ["45"]})
    assert [i.tooth for i in found.implants_of(found.crowns[0])] == ["44", "46"]
    three = {"mesh": "b.ply", "teeth": ["44", "45", "46"], "pontics": ["45"], "support": "implant"}
    with pytest.raises(ValidationError, match="that is no pontic is wanted: 46, 44"):
        case(crown=three, implant=[implants[0], {**implants[1], "tooth": "45"}])


def test_several_crowns_and_later_sections_are_read():
    full = case(
        crown=[
            {"mesh": "a.ply", "tooth": "46", "support": "implant"},
            {
                "mesh": "b.ply",
                "teeth": ["14", "15"],
                "support": "tooth",
                "access": {"point_mm": [1, 2, 3], "axis": [0, 0, 2], "diameter_mm": 2.4},
                "milling": {"axis": [0, 0, -3], "tool_radius_mm": 0.5},
            },
        ],
        implant={"platform_mm": [0, 0, 0], "axis": [0, 0, 1]},
        teeth={"implants": ["36"], "missing": ["48"], "mobility": {"31": 2}},
        foil={"holds": [["15", "45"]], "slips": [["14", "44"]]},
    )
    assert [crown.iso for crown in full.crowns] == [(46,), (15, 14)]
    assert [len(full.implants_of(crown)) for crown in full.crowns] == [1, 0]
    assert full.crowns[1].access is not None
    assert full.crowns[1].access.axis == (0.0, 0.0, 1.0)
    assert full.crowns[1].milling.axis == (0.0, 0.0, -1.0)
    assert full.crowns[1].milling.tool_radius_mm == 0.5
    assert full.crowns[0].milling.axis is None
    assert full.teeth.mobility == {"31": 2.0}
    assert full.foil is not None
    assert full.foil.thickness_um == 8.0


WRONG = [
    ({"schema": 2}, "schema = 1 only"),
    ({"id": "Mr. X"}, "letters, digits"),
    ({"scans__units": "feet"}, "'mm'"),
    ({"scans__upper": 3}, "the name of a file"),
    ({"scans__bites": "one.ply"}, "valid tuple"),
    ({"scans__T_upper_lower": [[1, 0], [0, 1]]}, "a 4x4 matrix"),
    ({"scans__T_upper_lower": np.diag([1, 1, -1, 1]).tolist()}, "not a proper rotation"),
    ({"scans__T_upper_lower": np.diag([2, 1, 1, 1]).tolist()}, "not a proper rotation"),
    ({"scans__T_upper_lower": np.ones((4, 4)).tolist()}, "last row 0 0 0 1"),
    ({"registration__given_sigma_um": 0}, "1 to 1000 is allowed"),
    ({"registration__sigma_um": 50}, "Extra inputs"),
    ({"crown__tooth": "49"}, "ISO 3950"),
    ({"crown__tooth": "30"}, "give 46"),
    ({"crown__tooth": 4.6}, "ISO 3950"),
    ({"crown__universal": 30}, "2 given"),
    ({"crown__tooth": None}, "0 given"),
    ({"crown__tooth": None, "crown__universal": 33}, "1 (upper right third molar)"),
    ({"crown__tooth": None, "crown__teeth": ["45", "45"]}, "more than once"),
    ({"crown__tooth": None, "crown__teeth": ["45", "15"]}, "different arches"),
    ({"crown__tooth": None, "crown__teeth": ["44", "46"]}, "given, 45 between them left out"),
    ({"crown__pontics": ["46"]}, "at least one of them must stand"),
    (
        {"crown__tooth": None, "crown__teeth": ["45", "46"], "crown__pontics": ["47"]},
        "pontics: 47 given",
    ),
    (
        {
            "crown": [
                {"mesh": "a.ply", "tooth": "46", "support": "tooth"},
                {"mesh": "b.ply", "teeth": ["45", "46"], "support": "tooth"},
            ]
        },
        "tooth 46 is given to more than one crown",
    ),
    (
        {
            "crown": [
                {"mesh": "a.ply", "tooth": "46", "support": "implant"},
                {"mesh": "b.ply", "tooth": "36", "support": "implant"},
            ],
            "implant": {"platform_mm": [0, 0, 0], "axis": [0, 0, 1]},
        },
        "1 given with 2 crowns on implants",
    ),
    (
        {"implant": {"tooth": "45", "platform_mm": [0, 0, 0], "axis": [0, 0, 1]}},
        "implant: tooth 45 given",
    ),
    ({"crown__support": "screw"}, "'tooth' or 'implant'"),
    ({"crown__support": None}, "Field required"),
    ({"crown__guidance": "canine"}, "'none', 'shared' or 'guides'"),
    ({"crown__seating_axis": [0, 0, 0]}, "no direction"),
    ({"crown__seating_axis": [0, 1]}, "three numbers"),
    ({"crown__min_thickness_mm": 0}, "0.1 to 5 is allowed"),
    ({"crown__min_thickness_mm": "1"}, "a number is wanted"),
    ({"crown__min_thickness_mm": True}, "a number is wanted"),
    ({"crown__min_thickness_mm": float("nan")}, "a finite number"),
    ({"crown__colour": "A2"}, "Extra inputs"),
    ({"teeth__missing": ["46"]}, "which the crown replaces"),
    ({"teeth__missing": ["36"], "teeth__implants": ["36"]}, "both implant and missing"),
    ({"teeth__mobility": {"99": 2.0}}, "ISO 3950"),
    ({"foil__holds": [["15", "14"]]}, "an upper and a lower"),
    ({"foil__holds": [["15", "45"]], "foil__slips": [["45", "15"]]}, "cannot both"),
    ({"mounting__right_condyle_mm": [50, 0, 0]}, "both or none"),
    ({"mounting__incisal_mm": [50, 0, 0]}, "all three or none"),
    (
        {"mounting": {"right_condyle_mm": [5, 0, 0], "left_condyle_mm": [-5, 0, 0]}},
        "10 mm apart, 70 to 140 is allowed",
    ),
    ({"guidance__bennett_angle_deg": 10}, "without its plane"),
    ({"guidance": {"inclination_plane": "hip"}}, "'frankfort'"),
    ({"guidance__immediate_side_shift_mm": {"right": 0.0}}, "Field required"),
    (
        {"guidance": {"inclination_plane": "camper", "sagittal_inclination_deg": 0.5, "x": 1}},
        "Extra inputs",
    ),
    (
        {"guidance": {"inclination_plane": "camper", "sagittal_inclination_deg": 95}},
        "right: 95 given, -30 to 80 is allowed",
    ),
    ({"guidance__path_radius_mm": 3}, "3 given, 5 to 1000 is allowed"),
    ({"guidance__path_radius_mm": {"right": "tight"}}, "a number is wanted"),
    (
        {
            "guidance": {
                "inclination_plane": "occlusal",
                "sagittal_inclination_deg": 70,
                "path_radius_mm": 10,
            }
        },
        "or more is wanted",
    ),
    (
        {"guidance__path_radius_mm": {"left": 6}, "movements__protrusion_mm": 14},
        "the left condylar path of guidance.path_radius_mm reaches",
    ),
    ({"movements__lateroprotrusion_deg": [0]}, "1 to 89 in tenths"),
    ({"movements__lateroprotrusion_deg": [30.25]}, "1 to 89 in tenths"),
    ({"movements__lateroprotrusion_deg": [30, 30.0]}, "30 given more than once"),
    ({"movements__lateroprotrusion_deg": 30}, "valid tuple"),
    ({"movements__lateroprotrusion_mm": 0}, "0.1 to 15 is allowed"),
    ({"scans__T_upper_lower_retruded": [[1, 0], [0, 1]]}, "a 4x4 matrix"),
    ({"movements__step_mm": 0}, "0.005 to 1 is allowed"),
    ({"movements__protrusion_mm": 50}, "0 to 15 is allowed"),
    ({"loads__light_N": 300}, "light below heavy"),
    ({"targets__centric_um": 2500}, "-200 to 500 is allowed"),
]


@pytest.mark.parametrize(("changes", "words"), WRONG)
def test_what_cannot_be_right_is_refused_with_what_is_allowed(changes, words):
    with pytest.raises(ValidationError) as caught:
        case(**changes)
    assert words in str(caught.value)


def test_a_case_cannot_be_changed():
    with pytest.raises(ValidationError):
        case().loads.light_N = 5.0  # type: ignore[misc]
