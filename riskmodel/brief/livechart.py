"""The life curve that follows the switches: a Vega-Lite chart and the script that draws it, for one page.

The script comes out of the installed `vl-convert` package and is set into the page, so that the page asks
nothing of any network.
"""

from __future__ import annotations

import importlib.util
from dataclasses import dataclass
from functools import cache
from typing import Any

__all__ = ["NEEDED", "LiveChart", "can_draw", "live_chart"]

NEEDED = "vl_convert"
"""Package of the extra `page`."""
HEIGHT = 320
NOW, CHOSEN = "current practice", "chosen"
"""Names of the two curves in the data; the page says in words what the second stands for."""
OCHRE, BLUE, INK, GREY = "#b5651d", "#2b5d8a", "#000000", "#7a7a7a"
"""Colours that the style sheet gives a light and a dark value."""

Spec = dict[str, Any]


@dataclass(frozen=True)
class LiveChart:
    """A compiled chart.

    Parameters
    ----------
    spec : dict
        Vega specification with the data set `curves` and the signal `asked` (years).
    script : str
        Source of the library that draws it.
    """

    spec: Spec
    script: str


def can_draw() -> bool:
    """Whether the package that compiles the chart is installed."""
    return importlib.util.find_spec(NEEDED) is not None


def live_chart(*, horizon: float, observed_to: float, asked: int, description: str) -> LiveChart:
    """The chart of the life distribution, without its data.

    Parameters
    ----------
    horizon : float
        Last age, years.
    observed_to : float
        Age beyond which curves are extrapolated, years; 0 where nothing was observed.
    asked : int
        Age marked at first, years.
    description : str
        What is to be seen, for whoever cannot see it.
    """
    layers = [*_curves(horizon), *([_beyond(observed_to)] if 0 < observed_to < horizon else [])]
    font = {"labelFont": "inherit", "titleFont": "inherit", "labelFontSize": 13, "titleFontSize": 13}
    spec = {
        "description": description,
        "width": "container",
        "height": HEIGHT,
        "background": "transparent",
        "params": [{"name": "asked", "value": asked}],
        "layer": layers,
        "config": {"view": {"stroke": None}, "axis": {"titleFontWeight": "normal", **font}},
    }
    return LiveChart(_compiled(spec), _library())


def _compiled(spec: Spec) -> Spec:
    import vl_convert

    return {name: value for name, value in vl_convert.vegalite_to_vega(spec).items() if name != "$schema"}


@cache
def _library() -> str:
    """Source of the library; to bundle it takes a second or two."""
    import vl_convert

    # the end tag of a script inside its text would end it for the page
    return vl_convert.javascript_bundle("window.vegaEmbed = vegaEmbed;").replace("</script", "<\\/script")


def _curves(horizon: float) -> list[Spec]:
    """Band and line of both curves, and a mark at the age asked about; the data are named and come later."""
    scale = {"domain": [0, horizon], "nice": False}
    age = {"field": "age", "type": "quantitative", "title": "Age, years", "axis": {"tickCount": 7}, "scale": scale}
    axis = {"format": "%", "title": "Share in good order", "tickCount": 5}

    def share(field: str) -> Spec:
        return {"field": field, "type": "quantitative", "scale": {"domain": [0, 1]}, "axis": axis}

    def by_who(values: list[Any]) -> Spec:
        return {"field": "who", "type": "nominal", "legend": None, "scale": {"domain": [NOW, CHOSEN], "range": values}}

    colour = by_who([OCHRE, BLUE])
    here = [{"filter": "datum.age === asked"}]
    layers: list[Spec] = [
        {
            "mark": {"type": "area", "opacity": 0.2},
            "encoding": {"x": age, "y": share("low"), "y2": {"field": "high"}, "color": colour},
        },
        {
            "mark": {"type": "line", "strokeWidth": 2.5},
            "encoding": {"x": age, "y": share("mean"), "color": colour, "strokeDash": by_who([[6, 4], [1, 0]])},
        },
        {"transform": here, "mark": {"type": "rule", "color": INK, "strokeDash": [2, 3]}, "encoding": {"x": age}},
        {
            "transform": here,
            "mark": {"type": "point", "filled": True, "size": 90, "opacity": 1},
            "encoding": {"x": age, "y": share("mean"), "color": colour, "shape": by_who(["diamond", "circle"])},
        },
    ]
    # the numbers stand in words and in a table beside the chart: read aloud, hundreds of points would hide them
    return [{**layer, "data": {"name": "curves"}, "mark": {**layer["mark"], "aria": False}} for layer in layers]


def _beyond(observed_to: float) -> Spec:
    """Where the observed ages end."""
    words = {"type": "text", "align": "left", "dx": 5, "dy": -6, "y": "height", "fontSize": 12, "font": "inherit"}
    age = {"field": "age", "type": "quantitative"}
    return {
        "data": {"values": [{"age": observed_to, "words": "beyond here: extrapolated"}]},
        "layer": [
            {"mark": {"type": "rule", "color": GREY, "aria": False}, "encoding": {"x": age}},
            {"mark": {**words, "color": INK, "aria": False}, "encoding": {"x": age, "text": {"field": "words"}}},
        ],
    }
