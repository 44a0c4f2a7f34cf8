"""What to take off a crown of 60 000 triangles, by part: seconds beside what is left open.

Usage: python benchmarks/bench_reduction.py [--case NAME] [--faces N] [--quick]

The longest edges of a demo crown are halved until it has so many faces; its surface is the same.
The residual is the least of gap minus wanted gap over whole facets on the continuous paths, of the
planned cut and, by the vertices swept again, of the adjusted crown: the promise is -1 um. Spots are
judged without a thickness that forbids anything.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from measure import UM, header

from occlusim.crown.clearance import swept_clearance, tabulate
from occlusim.crown.cutting import cut_stock, hidden_vertices, removal_directions
from occlusim.crown.mending import CutJob, sound_cut
from occlusim.crown.reduction import plan_reduction, remainder
from occlusim.crown.regions import find_regions
from occlusim.crown.removed import removed_body
from occlusim.crown.spots import edge_graph
from occlusim.crown.stock import Stock, divided
from occlusim.crown.thickness import CrownWalls
from occlusim.demo import demo_case
from occlusim.files.case_file import read_case
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.pipeline.clock import Clock
from occlusim.pipeline.crown_paths import wanted_functions
from occlusim.pipeline.crown_stage import Region, reduce_crown
from occlusim.pipeline.inputs import load_inputs
from occlusim.pipeline.jaw_stage import Fields, run_jaw_stage
from occlusim.pipeline.record import take_record


def halved_to(mesh: TriangleMesh, n_faces: int) -> TriangleMesh:
    """Return the same surface with about n faces: the longest edges get a vertex amid them."""
    graph = edge_graph(mesh).tocoo()
    once = graph.row < graph.col
    edges = np.stack([graph.row[once], graph.col[once]], axis=1).astype(np.int32)
    n_more = max((n_faces - len(mesh.faces)) // 2, 0)
    if n_more == 0:
        return mesh
    edges = edges[np.argsort(-graph.data[once], kind="stable")[:n_more]]
    faces, _ = divided(mesh.faces, edges, len(mesh.vertices))
    middle = mesh.vertices[edges].mean(axis=1)
    return TriangleMesh(np.concatenate([mesh.vertices, middle]), faces)


def taken(name: str, call: Callable[[], Any]) -> Any:
    """Return what a call gives, and print its seconds; it has run once before, unmeasured."""
    call()
    start = time.perf_counter()
    found = call()
    print(f"  {name:<28} {time.perf_counter() - start:8.3f} s", flush=True)
    return found


def main() -> None:
    """Print seconds by part, and the residual."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--case", default="molar-46")
    parser.add_argument("--faces", type=int, default=60_000)
    parser.add_argument("--quick", action="store_true", help="the crown as it is")
    options = parser.parse_args()
    inputs = load_inputs(read_case(demo_case(options.case)))
    clock = Clock(lambda _words: None)
    placed = take_record(inputs, clock).placed()
    fields = Fields.build(inputs)
    jaw = run_jaw_stage(inputs, placed, fields, clock)
    region = Region.build(inputs, jaw)
    usual = reduce_crown(inputs, placed, jaw, region, fields.crown, wanted_functions(inputs, jaw))
    header(f"reduction of {options.case}")
    crown = inputs.crown.mesh if options.quick else halved_to(inputs.crown.mesh, options.faces)
    outside, rule, antagonist = Surface.build(crown), usual.settings, region.field
    walls = CrownWalls.build(outside, usual.orientation.occlusal)

    table = tabulate(usual.paths, crown.vertices, rule.table)
    print(f"{len(crown.faces)} faces, {len(table.wanted_mm)} poses")
    limit_mm = rule.clearance_limit_mm
    swept = taken(
        "swept field", lambda: swept_clearance(crown.vertices, antagonist, table, limit_mm)
    )
    graph = edge_graph(crown)
    regions = taken("spots", lambda: find_regions(crown, antagonist, table, swept, graph, rule))
    ways = removal_directions(outside, graph, rule)
    stock = Stock.of(crown, swept, regions, ways, hidden_vertices(outside, rule))
    cut = taken("cut", lambda: cut_stock(stock, antagonist, table, walls, rule, None))
    job = CutJob(outside, antagonist, table, walls, rule, None)
    taken("remesh where harmed", lambda: sound_cut(stock, replace(cut), job))
    taken("walls", lambda: CrownWalls.build(outside, usual.orientation.occlusal).thickness_mm())
    plan = taken(
        "whole plan",
        lambda: plan_reduction(
            crown, antagonist, usual.paths, rule,
            walls=walls, orientation=usual.orientation, surface=outside,
        ),
    )  # fmt: skip
    left = remainder(plan.adjusted, antagonist, rule, crown, plan)
    body = removed_body(crown, plan.adjusted, plan.vertex_origin)
    lost = 0.0 if body is None else body.volume()
    print(f"{len(plan.spots)} spots, deepest {plan.spots[0].depth_mm * UM:.2f} um")
    print(f"residual over whole facets {plan.residual_mm * UM:.3f} um")
    print(f"residual at the adjusted vertices {left.clearance_mm.min() * UM:.3f} um")
    print(f"volume of spots beside the removed body {plan.volume_mm3:.5f} mm3, {lost:.5f} mm3")


if __name__ == "__main__":
    main()
