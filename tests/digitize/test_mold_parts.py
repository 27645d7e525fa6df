"""The geometry of a mold's parts: exact pieces, layers, dowels, spreaders, forms, sheets, tools."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.errors import Refusal
from calibration.frames import frozen_floats
from digitize.arcs import arc_length, distances, extents, flatten, mirrored, polygon, sampled, signed_area
from digitize.mold_settings import Dowels, Forms, MoldJob, MoldShape, SheetStock, Sides, Spreaders
from digitize.mold_shapes import SAW, Part, Stock
from digitize.parts.cut_list import cut_list, piece_area, side_blanks, totals
from digitize.parts.flip import text_width
from digitize.parts.forms import forms
from digitize.parts.layers import alike, dowel_places, layers, outer_shape
from digitize.parts.meet import meetings, winding
from digitize.parts.nest import nest
from digitize.parts.offset import backwards, counter_clockwise, offset
from digitize.parts.proof import prove
from digitize.parts.regions import box, circle, crosses_itself, half, moved, right_run, union
from digitize.parts.spreaders import face_line, spreaders, travel_mm
from digitize.parts.tools import reach
from digitize.shapes import ArcPath
from tests.digitize.mold_bodies import cassini, ellipse, is_missing, outline_of

ROUNDING_MM = 1e-6


def bent(xs: list[float], bulges: list[float]) -> ArcPath:
    """A closed path of eight pieces round the origin, radii and bulges as drawn."""
    angle = np.linspace(0.0, 2.0 * math.pi, len(xs), endpoint=False)
    radius = np.array(xs)
    xy = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
    return ArcPath(frozen_floats(xy), frozen_floats(bulges), True)


shapes = st.builds(
    bent,
    st.lists(st.floats(60.0, 100.0), min_size=8, max_size=8),
    st.lists(st.floats(-0.15, 0.35), min_size=8, max_size=8),
)


@settings(max_examples=30, deadline=None)
@given(shapes, st.floats(-30.0, 40.0))
def test_every_place_of_an_offset_is_at_its_distance(path: ArcPath, by_mm: float) -> None:
    if crosses_itself(path) or abs(by_mm) < 0.1:
        return
    for one in offset(path, by_mm):
        off = np.abs(distances(path, sampled(one, 1.0)) - abs(by_mm))
        assert off.max() < 1e-5
    # and it holds all that is nearer, or inside by more: looked at on a grid of places
    grid = np.array(np.meshgrid(np.linspace(-150.0, 150.0, 41), np.linspace(-150.0, 150.0, 41))).reshape(2, -1).T
    far = distances(path, grid) * np.where(winding(grid, path) == 1, -1.0, 1.0)
    clear = np.abs(far - by_mm) > 1e-4
    held = np.sum([winding(grid, one) for one in offset(path, by_mm)], axis=0) == 1
    assert ((far < by_mm) == held)[clear].all()


@settings(max_examples=40, deadline=None)
@given(shapes, st.tuples(st.floats(-120.0, 120.0), st.floats(-120.0, 120.0)))
def test_what_a_path_holds_is_what_geos_says(path: ArcPath, place: tuple[float, float]) -> None:
    if crosses_itself(path):
        return
    ring = shapely.Polygon(flatten(path, 1e-6))
    near = abs(ring.exterior.distance(shapely.Point(place)))
    assert distances(path, np.array([place]))[0] == pytest.approx(near, abs=1e-4)
    if near > 1e-4:
        assert bool(winding(np.array([place]), path)[0]) == ring.contains(shapely.Point(place))


@settings(max_examples=30, deadline=None)
@given(shapes, st.floats(20.0, 90.0), st.floats(0.0, 2.0 * math.pi))
def test_a_union_holds_what_either_holds(path: ArcPath, size: float, way: float) -> None:
    if crosses_itself(path):
        return
    other = circle((70.0 * math.cos(way), 70.0 * math.sin(way)), size)
    one, two = shapely.Polygon(flatten(path, 1e-5)), shapely.Polygon(flatten(other, 1e-5))
    if not one.intersects(two) or one.intersection(two).area < 1.0:
        return
    joint = shapely.union(one, two)
    assert signed_area(union(path, other)) == pytest.approx(shapely.Polygon(joint.exterior).area, rel=1e-5)


def test_two_far_circles_have_no_union() -> None:
    with pytest.raises(ValueError, match="do not overlap"):
        union(circle((0.0, 0.0), 10.0), circle((50.0, 0.0), 10.0))
    assert signed_area(union(circle((0.0, 0.0), 50.0), circle((1.0, 0.0), 10.0))) == pytest.approx(math.pi * 25.0**2)


def test_meetings_are_found_whichever_way_pieces_run() -> None:
    ring, line = circle((0.0, 0.0), 20.0), polygon(np.array([(-20.0, 6.0), (20.0, 6.0)]), closed=False)
    for path in (ring, backwards(ring)):
        found = meetings(path, line)
        assert sorted(found.xy_mm[:, 0].tolist()) == pytest.approx([-8.0, 8.0])
    assert len(meetings(ring).one) == 0


def test_offsetting_out_and_in_returns_where_bends_are_gentle() -> None:
    path = cassini(200)
    back = offset(offset(path, 20.0)[0], -20.0)[0]
    assert distances(path, sampled(back, 1.0)).max() < 1e-5


@pytest.mark.parametrize("family", ["guitar", "violin", "cutaway", "florentine", "angular", "found cello"])
def test_the_closed_halves_give_the_outline(family: str) -> None:
    if is_missing(family):
        pytest.skip(is_missing(family))
    body = counter_clockwise(outline_of(family))
    job = MoldJob()
    parts = layers(body, job)
    assert prove(body, parts, job).layer_off_mm < 0.001
    edges = [part.outline for part in parts if part.name.startswith("layer")]
    for edge in edges:
        assert not crosses_itself(edge)
    # what both halves hold together, by another library: the outer shape less the body
    whole = sum(shapely.Polygon(flatten(edge, 1e-3)).area for edge in edges)
    assert whole == pytest.approx(signed_area(outer_shape(body, job)) - signed_area(body), rel=1e-5)


def test_the_wall_is_as_wide_as_asked() -> None:
    body = cassini()
    job = MoldJob(mold=MoldShape(wall=50.0, tab=0.0))
    layer = next(part for part in layers(body, job) if part.name == "layer")
    outer = layer.outline.xy_mm[(layer.outline.xy_mm[:, 0] > 1.0)]
    apart = distances(body, outer)
    assert set(np.round(apart, 4).tolist()) <= {0.0, 50.0}


def test_a_box_leaves_at_least_the_wall() -> None:
    body = counter_clockwise(outline_of("guitar"))
    job = MoldJob(mold=MoldShape(shape="box", wall=40.0))
    left, low, right, top = extents(outer_shape(body, job))
    inner = extents(body)
    assert (left, right) == pytest.approx((inner[0] - 40.0, inner[2] + 40.0), abs=0.01)
    assert low == pytest.approx(inner[1] - 40.0 - job.mold.tab_mm) and top > inner[3] + 40.0


def test_dowels_are_clear_of_every_edge_and_of_the_joint() -> None:
    body, job = cassini(), MoldJob()
    layer = next(part for part in layers(body, job) if part.name == "layer")
    places = np.array(dowel_places(layer.outline, job))
    assert len(layer.holes) == 2
    assert distances(layer.outline, places).min() >= job.dowels.diameter_mm / 2.0 + job.dowels.edge_mm
    assert (winding(places, layer.outline) == 1).all()
    assert places[0, 1] < 0.0 < places[1, 1] or places[0, 1] < places[1, 1]
    # bored from the joint: 30 mm deep; the dowel's hole lies beyond
    assert (places[:, 0] >= job.dowels.joint_depth_mm + job.dowels.diameter_mm / 2.0).all()


@pytest.mark.parametrize("shape", [MoldShape(), MoldShape(shape="box"), MoldShape(wall="45 mm")])
def test_a_label_crosses_neither_an_edge_nor_a_hole(shape: MoldShape) -> None:
    for part in layers(outline_of("guitar", 3), MoldJob(mold=shape)):
        (label,) = part.texts
        across = label.at[0] + np.linspace(0.0, text_width(label), 20)
        x, y = np.meshgrid(across, label.at[1] + np.linspace(0.0, 8.0, 5))
        letters = np.column_stack([x.ravel(), y.ravel()])
        assert (winding(letters, part.outline) == 1).all()
        assert min(distances(path, letters).min() for path in (part.outline, *part.holes)) > 2.0


def test_a_wall_too_thin_for_dowels_is_refused_with_a_remedy() -> None:
    job = MoldJob(mold=MoldShape(wall=12.7, tab=0.0), dowels=Dowels(diameter=10.0))
    with pytest.raises(Refusal) as refused:
        layers(cassini(), job)
    assert refused.value.code == "no-room-for-dowels"
    assert "tab" in refused.value.remedy


def test_the_saw_line_lies_on_the_waste_side() -> None:
    body = cassini()
    master = layers(body, MoldJob())[0]
    saw = next(path for layer, path in master.marks if layer == SAW)
    places = sampled(saw, 1.0)
    assert distances(body, places) == pytest.approx(1.6, abs=1e-5)
    inside = winding(places[1:-1], body)
    assert (inside == 1).all()


def test_halves_that_differ_get_their_own_parts() -> None:
    body = counter_clockwise(outline_of("cutaway"))
    assert not alike(body)
    names = [part.name for part in layers(body, MoldJob())]
    assert names == ["master-right", "layer-right", "master-left", "layer-left"]
    right, left = (part for part in layers(body, MoldJob()) if part.name.startswith("layer"))
    assert extents(right.outline)[0] == pytest.approx(0.0) and extents(left.outline)[2] == pytest.approx(0.0)
    assert right.count == left.count == MoldJob().layers


@pytest.mark.parametrize("waist", [False, True])
def test_face_liner_and_side_give_the_outline(waist: bool) -> None:
    body = counter_clockwise(outline_of("guitar"))
    job = MoldJob(sides=Sides(thickness=2.0), spreaders=Spreaders(liner=1.5, waist=waist, closed=60.0, open=80.0))
    found = spreaders(body, job)
    assert found.doubts == ()
    assert len(found.pressed) == (6 if waist else 4)
    line = face_line(body, job)
    assert distances(body, sampled(line, 1.0)) == pytest.approx(3.5, abs=1e-5)
    for edge in found.pressed:
        apart = distances(body, sampled(edge, 0.5))
        assert apart.min() == pytest.approx(3.5, abs=1e-5)
        assert (np.abs(apart - 3.5) < 0.01).sum() * 0.5 > 60.0  # the face is most of a bout


def test_blocks_touch_nothing_at_either_end_of_their_travel() -> None:
    body = counter_clockwise(outline_of("guitar"))
    job = MoldJob()
    found = spreaders(body, job)
    for edges in (found.pressed, found.slack):
        blocks = [shapely.Polygon(flatten(edge, 1e-3)) for edge in edges]
        for i, one in enumerate(blocks):
            for other in blocks[i + 1 :]:
                assert one.distance(other) > job.spreaders.clear_mm - 0.02
    for pressed, slack in zip(found.pressed, found.slack, strict=True):
        assert abs(extents(pressed)[2] - extents(slack)[2]) == pytest.approx(travel_mm(job))


def test_a_body_too_narrow_for_the_turnbuckle_says_so() -> None:
    found = spreaders(counter_clockwise(outline_of("small")), MoldJob(spreaders=Spreaders(closed=200.0, open=300.0)))
    assert [one.code for one in found.doubts] == ["part-left-out"] * 2
    assert "turnbuckle" in found.doubts[0].text
    assert found.parts == ()


def test_the_pocket_holds_the_turnbuckle() -> None:
    job = MoldJob()
    parts = {part.name: part for part in spreaders(cassini(), job).parts}
    plain, pocket = parts["spreader-lower"], parts["spreader-lower-pocket"]
    s = job.spreaders
    bolt = plain.holes[0]
    inner_x = extents(plain.outline)[0]
    centre_x = (extents(bolt)[0] + extents(bolt)[2]) / 2.0
    slot = s.pocket_mm * (centre_x - inner_x) + math.pi * (s.pocket_mm / 2.0) ** 2 / 2.0
    assert signed_area(plain.outline) - signed_area(pocket.outline) == pytest.approx(slot, rel=1e-9)
    assert plain.count + pocket.count == 2 * s.layers


def test_forms_are_smaller_by_the_side() -> None:
    body = cassini()
    parts, doubts = forms(body, MoldJob(forms=Forms(bending=True, inside=True), sides=Sides(thickness=2.0)))
    assert doubts == ()
    bending, inside = parts
    assert distances(body, sampled(inside.outline, 1.0)) == pytest.approx(2.0, abs=1e-5)
    right = shapely.clip_by_rect(shapely.Polygon(flatten(inside.outline, 1e-4)), 0.0, -1e3, 1e3, 1e3)
    assert signed_area(bending.outline) == pytest.approx(right.area, rel=1e-5)


def test_what_molds_are_usually_made_of_is_not_told() -> None:
    assert MoldJob().unusual == ()
    thin = MoldJob(mold=MoldShape(wall=12.7, depth=36.0), sheet=SheetStock(thickness=12.0), sides=Sides(thickness=1.0))
    assert thin.unusual == ()
    odd = MoldJob(mold=MoldShape(wall=11.9), dowels=Dowels(edge=1.0), sides=Sides(thickness=9.0))
    assert [one.key for one in odd.unusual] == ["[mold] wall", "[dowels] edge", "[sides] thickness"]


def test_a_side_that_fills_the_body_makes_no_form() -> None:
    parts, doubts = forms(cassini(), MoldJob(forms=Forms(inside=True), sides=Sides(thickness=120.0)))
    assert parts == ()
    assert doubts[0].code == "part-left-out"


def test_a_round_tool_leaves_what_geometry_says() -> None:
    # in a right-angled corner a circle of radius r leaves r (sqrt 2 - 1)
    found = reach(box(0.0, 0.0, 300.0, 200.0), 10.0, "bit", "inside")
    assert found.left_mm == pytest.approx(10.0 * (math.sqrt(2.0) - 1.0), rel=1e-6)
    assert found.at_mm is not None
    assert reach(ellipse(), 10.0, "bit", "inside").left_mm == 0.0
    assert reach(ellipse(), 84.0, "bit", "inside").left_mm == 0.0  # b^2 / a = 84.5
    assert reach(ellipse(), 90.0, "bit", "inside").left_mm > 0.0
    assert reach(box(0.0, 0.0, 300.0, 200.0), 10.0, "bit", "outside").left_mm == 0.0


def _part(name: str, path: ArcPath, count: int) -> Part:
    return Part(name, name, path, count=count, thickness_mm=19.0)


def test_pieces_on_a_sheet_keep_their_distance() -> None:
    parts = (*(part for part in layers(cassini(), MoldJob()) if part.name == "layer"),
             _part("disc", circle((0.0, 0.0), 150.0), 5))  # fmt: skip
    sheets, left = nest(parts, (Stock(2440.0, 1220.0),), 12.0, 15.0)
    assert left == {}
    by_name = {part.name: part for part in parts}
    for sheet in sheets:
        shown = [
            shapely.Polygon(flatten(moved(by_name[one.part].outline, one.shift_mm, one.quarters), 1e-3))
            for one in sheet.placed
        ]
        for i, one in enumerate(shown):
            assert shapely.box(14.999, 14.999, 2425.001, 1205.001).contains(one)
            for other in shown[i + 1 :]:
                assert one.distance(other) >= 12.0 - 1e-3
    assert sum(len(sheet.placed) for sheet in sheets) == sum(part.count for part in parts)


def test_offcuts_are_used_first_and_what_does_not_fit_is_told() -> None:
    disc = _part("disc", circle((0.0, 0.0), 150.0), 3)
    sheets, left = nest((disc,), (Stock(200.0, 200.0, 1), Stock(180.0, 180.0, 1)), 10.0, 5.0)
    assert [sheet.stock.width_mm for sheet in sheets] == [200.0, 180.0]
    assert left == {"disc": 1}
    sheets, left = nest((disc,), (Stock(100.0, 100.0),), 10.0, 5.0)
    assert (sheets, left) == ((), {"disc": 3})


def test_the_default_mold_is_six_layers_from_one_master() -> None:
    parts = layers(cassini(), MoldJob())
    assert [(part.name, part.count) for part in parts] == [("master", 1), ("layer", 6)]
    assert MoldJob(mold=MoldShape(depth=95.0)).layers == 5
    assert MoldJob(sheet=SheetStock(thickness=19.0), mold=MoldShape(depth=58.0)).layers == 4


def test_sums_of_the_cut_list() -> None:
    body, job = cassini(), MoldJob(spreaders=Spreaders(bouts=False))
    parts = layers(body, job)
    rows = cut_list(parts, job)
    whole = totals(rows, parts, body, job)
    layer = parts[1]
    area = signed_area(layer.outline) - 2.0 * math.pi * 4.0**2
    assert piece_area(layer) == pytest.approx(area)
    assert whole.weight_kg == pytest.approx(6 * area * 19.0 * 750e-9)
    assert whole.glue_mm2 == pytest.approx(4 * area)  # two stacks of three: two joints each
    assert whole.side_blank_mm == pytest.approx((arc_length(body) / 2.0 + 50.0,) * 2)
    assert side_blanks(body, job) == whole.side_blank_mm


def test_halves_are_cut_on_the_centerline() -> None:
    body = cassini(200)
    assert signed_area(half(body)) == pytest.approx(signed_area(body) / 2.0, rel=1e-9)
    run = right_run(mirrored(body))
    assert run.xy_mm[0, 0] == run.xy_mm[-1, 0] == 0.0
    assert run.xy_mm[0, 1] < run.xy_mm[-1, 1]
