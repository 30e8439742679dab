"""A survey and its results as a scene to turn about, in one HTML file that needs no network.

Tubes are tubes of their diameter; hover or tap tells name and mm with U. What is where comes from
`space`; the drawing library is plotly's own script, written into the page whole.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from html import escape
from typing import Any

import numpy as np

from fitscan.geometry.rotation import Array
from fitscan.report.html import render_template
from fitscan.report.mesh import Mesh, cone, fan, joined, round_bar
from fitscan.report.palette import COLOURS
from fitscan.report.shapes import Shapes, SpanShape
from fitscan.report.space import Space
from fitscan.report.words import exaggeration

__all__ = ["scene_page", "scene_traces"]

Trace = dict[str, Any]

_VIEWS = (("round", "all round"), ("side", "side"), ("behind", "behind"), ("above", "above"))
_PLAIN_VIEWS = (("round", "all round"), ("side", "X-Z"), ("behind", "Y-Z"), ("above", "X-Y"))

_PART_COLOURS = ("sky", "green", "purple", "orange")
_ARROW_SHARE = 0.15
_HEAD_MM = 36.0
_DIGITS = 2


def scene_page(space: Space) -> str:
    """The whole page."""
    from plotly.offline import get_plotlyjs

    factor = _factor(space.shapes)
    groups = dict.fromkeys(str(t["meta"]) for t in scene_traces(space.shapes))
    spans = [s for s in space.shapes.spans if s.role != "rule"]
    return render_template(
        "scene.html",
        space=space,
        groups=list(groups),
        hidden=["cameras"],
        factor=factor,
        spans=spans,
        plotly=get_plotlyjs(),
        traces=_for_script(scene_traces(space.shapes)),
        layout=_for_script(_layout(space.known)),
        views=_VIEWS if space.known else _PLAIN_VIEWS,
        closer="gaps" if "gaps" in groups else "",
    )


def _for_script(content: object) -> str:
    """JSON that cannot end the script that it stands in."""
    text = json.dumps(content, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _words(text: str) -> str:
    """Plain text as plotly shows it; plotly reads markup."""
    return escape(text, quote=False).replace("\n", "<br>")


# ---------------------------------------------------------------- traces


def scene_traces(shapes: Shapes) -> list[Trace]:
    """Plotly's traces; `meta` names the group by which people show and hide them."""
    traces: list[Trace] = []
    # A gap lies inside of the bar: it must shine through.
    clear = 0.45 if any(s.role == "gap" for s in shapes.spans) else 1.0
    for tube in shapes.tubes:
        seat = tube.role == "seat"
        look: Trace = {"color": "#C9C3A0", "opacity": clear}
        if seat:
            look = {"color": COLOURS["blue"], "opacity": 0.3}
        name = "seat, where it should be" if seat else "tubes"
        traces.append(_surface(round_bar(tube.path, tube.od_mm), tube.text, name, look))
        dash = "dash" if seat else "solid"
        line = {"color": COLOURS["blue" if seat else "black"], "width": 3, "dash": dash}
        traces.append(_lines([tube.path], name, line))
    parts = dict.fromkeys(s.part for s in shapes.squares)
    for number, part in enumerate(parts):
        colour = COLOURS[_PART_COLOURS[number % len(_PART_COLOURS)]]
        mine = [s for s in shapes.squares if s.part == part]
        mesh = joined([fan(s.border) for s in mine])
        traces.append(_surface(mesh, "", f"markers on the {part}", {"color": colour}))
        spots = [s for s in shapes.spots if s.part == part and s.kind != "tip"]
        if spots:
            traces.append(
                _dots(
                    [s.place for s in spots], [s.text for s in spots], f"markers on the {part}",
                    {"color": colour, "size": 3, "line": {"color": "#000000", "width": 1}},
                )
            )  # fmt: skip
    traces += _pointers(shapes)
    traces += _spans(shapes)
    traces += _cameras(shapes)
    return traces


def _pointers(shapes: Shapes) -> Iterable[Trace]:
    tips = [s for s in shapes.spots if s.kind == "tip"]
    if not tips:
        return
    lines = [np.stack([s.tail, s.place]) for s in tips if s.tail is not None]
    yield _lines(lines, "pointers", {"color": "#000000", "width": 4})
    yield _dots(
        [s.place for s in tips], [s.text for s in tips], "pointers",
        {"color": COLOURS["yellow"], "size": 4, "symbol": "diamond",
         "line": {"color": "#000000", "width": 1}},
    )  # fmt: skip


def _spans(shapes: Shapes) -> Iterable[Trace]:
    rules = [s for s in shapes.spans if s.role == "rule"]
    if rules:
        yield _lines([s.ends for s in rules], "rules", {"color": "#000000", "width": 3})
        middles = [s.ends.mean(axis=0) for s in rules]
        look = {"color": "#000000", "size": 3, "symbol": "square"}
        yield _dots(middles, [s.text for s in rules], "rules", look)
    gaps = [s for s in shapes.spans if s.role == "gap"]
    if gaps:
        vermilion = {"color": COLOURS["vermilion"], "width": 7}
        yield _lines([s.ends for s in gaps], "gaps", vermilion)
        places = [s.ends.mean(axis=0) for s in gaps]
        look = {"color": COLOURS["vermilion"], "size": 3, "symbol": "square"}
        yield _dots(places, [s.text for s in gaps], "gaps", look)
    moves = [s for s in shapes.spans if s.role == "move"]
    proven = [s for s in moves if s.proven]
    if proven:
        yield from _arrows(proven, _factor(shapes))
    open_ = [s for s in moves if not s.proven]
    if open_:
        look = {"color": "#FFFFFF", "size": 5, "line": {"color": "#000000", "width": 2}}
        yield _dots([s.ends[0] for s in open_], [s.text for s in open_], "moves", look)


def _arrows(moves: list[SpanShape], factor: float) -> Iterable[Trace]:
    """Arrows from where a marker is towards where it should go, longer than true by a factor."""
    heads = [s.ends[0] + factor * (s.ends[1] - s.ends[0]) for s in moves]
    lines = [np.stack([s.ends[0], head]) for s, head in zip(moves, heads, strict=True)]
    vermilion = COLOURS["vermilion"]
    yield _lines(lines, "moves", {"color": vermilion, "width": 6})
    way = np.array([line[1] - line[0] for line in lines])
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    tips = joined([cone(head, w, _HEAD_MM) for head, w in zip(heads, way, strict=True)])
    yield _surface(tips, "", "moves", {"color": vermilion})
    look = {"color": vermilion, "size": 3}
    yield _dots([s.ends[0] for s in moves], [s.text for s in moves], "moves", look)


def _cameras(shapes: Shapes) -> Iterable[Trace]:
    if not shapes.eyes:
        return
    lines = []
    for eye in shapes.eyes:
        lines.append(np.concatenate([eye.corners, eye.corners[:1]]))
        lines += [np.stack([eye.place, corner]) for corner in eye.corners]
    yield _lines(lines, "cameras", {"color": "#7A7A7A", "width": 2})
    look = {"color": "#7A7A7A", "size": 3}
    yield _dots([e.place for e in shapes.eyes], [e.text for e in shapes.eyes], "cameras", look)


def _factor(shapes: Shapes) -> float:
    """How many times too long moves are drawn, 1 without any."""
    moves = [s for s in shapes.spans if s.role == "move" and s.proven]
    if not moves:
        return 1.0
    places = np.array([s.ends[0] for s in shapes.spans if s.role == "move"])
    extent = max(float(np.max(np.ptp(places, axis=0))), 300.0)
    largest = max(float(np.linalg.norm(s.ends[1] - s.ends[0])) for s in moves)
    return exaggeration(largest, _ARROW_SHARE * extent)


def _columns(points: list[Array]) -> tuple[list[float], list[float], list[float]]:
    table = np.array(points, dtype=np.float64).reshape(-1, 3)
    digits = 4 if np.abs(table).max(initial=0.0) < 2.0 else _DIGITS
    x, y, z = np.round(table, digits).T.tolist()
    return x, y, z


def _surface(mesh: Mesh, text: str, group: str, look: Trace) -> Trace:
    x, y, z = _columns(list(mesh.vertices))
    i, j, k = mesh.faces.T.tolist()
    hover: Trace = {"hoverinfo": "text", "hovertext": _words(text)} if text else {}
    return {
        "type": "mesh3d", "x": x, "y": y, "z": z, "i": i, "j": j, "k": k, "meta": group,
        "flatshading": False, "lighting": {"ambient": 0.55, "diffuse": 0.7, "specular": 0.15},
        **(hover or {"hoverinfo": "skip"}), **look,
    }  # fmt: skip


def _lines(lines: list[Array], group: str, look: Trace) -> Trace:
    """Several lines as one trace; a hole parts them."""
    x: list[float | None] = []
    y: list[float | None] = []
    z: list[float | None] = []
    for line in lines:
        for values, column in zip((x, y, z), _columns(list(line)), strict=True):
            values += [*column, None]
    return {
        "type": "scatter3d", "mode": "lines", "x": x, "y": y, "z": z, "line": look,
        "meta": group, "hoverinfo": "skip",
    }  # fmt: skip


def _dots(places: list[Array], texts: list[str], group: str, look: Trace) -> Trace:
    x, y, z = _columns(places)
    return {
        "type": "scatter3d", "mode": "markers", "x": x, "y": y, "z": z, "marker": look,
        "meta": group, "hoverinfo": "text", "hovertext": [_words(t) for t in texts],
    }  # fmt: skip


def _layout(known: bool) -> Trace:
    titles = ("X forward, mm", "Y left, mm", "Z up, mm") if known else ("X, mm", "Y, mm", "Z, mm")
    axis: Callable[[str], Trace] = lambda title: {  # noqa: E731
        "title": {"text": title}, "backgroundcolor": "#EEF0F2", "gridcolor": "#C3C8CE",
        "showbackground": True, "zerolinecolor": "#C3C8CE",
    }  # fmt: skip
    return {
        "scene": {
            **{f"{name}axis": axis(title) for name, title in zip("xyz", titles, strict=True)},
            "aspectmode": "data",
        },
        "margin": {"l": 0, "r": 0, "t": 0, "b": 0},
        "showlegend": False,
        "paper_bgcolor": "#FFFFFF",
        "hoverlabel": {"align": "left", "font": {"size": 14}},
    }
