import numpy as np
from report.made_up import results

from occlusim.report.gap_figure import gap_figure


def test_movements_differ_by_dash_and_number_and_share_one_ink():
    drawn = gap_figure(results()["crown"]["movements"])
    lines = [trace for trace in drawn.data if trace.legendgroup != "wanted"]
    assert [trace.name[:2] for trace in lines] == ["1 ", "2 ", "3 ", "4 "]
    assert len({trace.line.color for trace in lines}) == 1
    assert len({trace.line.dash for trace in lines}) == 4
    numbers = [note.text for note in drawn.layout.annotations]
    assert numbers == ["<b>1</b>", "<b>2</b>", "<b>3</b>", "<b>4</b>"]


def test_the_lowest_gap_is_always_in_the_frame():
    movements = results()["crown"]["movements"]
    movements[1]["gap_um"][6] = -812.0
    low, high = gap_figure(movements).layout.yaxis.range
    assert low < -812.0
    assert high > 0.0


def test_unknown_steps_leave_a_hole_not_a_number():
    movements = results()["crown"]["movements"]
    movements[1]["gap_um"][4] = None
    line = next(t for t in gap_figure(movements).data if t.name.startswith("2 "))
    assert np.isnan(line.y[4])
    assert np.isfinite(line.y[3])


def test_the_frame_grows_to_show_the_least_gap_of_an_open_movement():
    movements = results()["crown"]["movements"]
    movements[0]["gap_um"] = [401.0]
    drawn = gap_figure(movements)
    assert drawn.layout.yaxis.range[1] > 401.0
    assert "<b>1</b>" in [note.text for note in drawn.layout.annotations]
