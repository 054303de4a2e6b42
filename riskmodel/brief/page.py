"""The page: sections into one file of HTML that asks nothing of any network."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from typing import Any

import jinja2
from markupsafe import Markup, escape

from ..errors import printable
from .answer import Recommendation, answer_section, recommend
from .causes import causes_section
from .check import check_section
from .choice import choice_section
from .lastround import round_section
from .learning import learning_section
from .life import LifeView, life_view, no_measures_words
from .livechart import LiveChart, can_draw, live_chart
from .material import Material
from .parts import Cell, Figure, Folded, Part, Section
from .pictures import Picture
from .sources import sources_section
from .still import life_picture
from .trust import trust_section

__all__ = ["Page", "build_page"]

LIFE, HEADING = "life", "How long overlays last"
MOVING = (
    "Share of the programme in good order against age, under current practice and with what is required, each with its "
    "90 % band. The sentence before it and the table after it say the same in numbers."
)
NO_CHART = (
    "The curve above stands still: the charting library is not installed. `pip install overlay-riskmodel[page]`, then "
    "run the study again, and it follows the switches. The numbers below follow them in any case."
)


@dataclass(frozen=True)
class Page:
    """The finished page and its figures.

    Parameters
    ----------
    html : str
    figures : mapping of str to bytes
        File name to content.
    """

    html: str
    figures: Mapping[str, bytes]


def build_page(material: Material) -> Page:
    """Build the page of a study.

    Parameters
    ----------
    material : Material

    Returns
    -------
    Page
    """
    chosen = recommend(material)
    view = life_view(material, chosen.portfolio)
    sections = _sections(material, chosen)
    still = life_picture(material, chosen.portfolio)
    figures: dict[str, bytes] = {}
    drawn: dict[str, Markup] = {}
    for picture in (still, *(picture for section in sections for picture in _pictures(section.parts))):
        files = picture.files()
        figures |= files
        # the picture escapes its own texts
        drawn[picture.name] = Markup(picture.markup(files[f"{picture.name}.svg"]))
    chart = _chart(material, view) if can_draw() else None
    html = (
        _environment()
        .get_template("page.html.j2")
        .render(
            m=material,
            title=printable(material.title, 200),
            agency=printable(material.agency, 200),
            sections=sections,
            life={"name": LIFE, "heading": HEADING, "finding": _life_finding(material)},
            view=view,
            shown=view.choice(view.start),
            now=view.choices[0],
            switches=_switches(material),
            still=still,
            drawn=drawn,
            chart=chart,
            no_chart=NO_CHART,
            no_measures=no_measures_words(material),
            data=_data(view, chart),
            style=Markup(_text("style.css")),
            script=Markup(_text("page.js")),
        )
    )
    return Page(html, figures)


def _sections(material: Material, chosen: Recommendation) -> list[Section]:
    """Every section but that of the life distribution, which stands after the first."""
    found = [
        answer_section(material, chosen),
        choice_section(material, chosen),
        causes_section(material),
        check_section(material),
        learning_section(material),
        round_section(material),
        trust_section(material),
        sources_section(material),
    ]
    return [section for section in found if section is not None]


def _pictures(parts: tuple[Part, ...]) -> list[Picture]:
    found: list[Picture] = []
    for part in parts:
        if isinstance(part, Figure):
            found.append(part.picture)
        elif isinstance(part, Folded):
            found += _pictures(part.parts)
    return found


def _life_finding(material: Material) -> str:
    early, ten, mean = (
        material.quantity("current_practice", name)
        for name in ("early_failure_probability", "b10_age", "restricted_mean_age")
    )
    return (
        f"Under current practice {early.times(100.0)} of 100 {material.whole} fail before age "
        f"{material.early_age:g}, nine in ten outlive {ten} years, and mean life up to age {material.horizon:g} is "
        f"{mean} years."
    )


def _switches(material: Material) -> list[dict[str, str]]:
    """One a measure: its key, words and what it is; empty where portfolios stand in a list."""
    if not material.switches:
        return []
    labels = {measure.name: measure.label for measure in material.priors.measures}
    return [{"key": name, "words": material.words(name), "label": labels.get(name, "")} for name in material.measures]


def _chart(material: Material, view: LifeView) -> LiveChart:
    horizon = float(view.ages[-1])
    return live_chart(horizon=horizon, observed_to=material.observed_to, asked=view.start_age, description=MOVING)


def _data(view: LifeView, chart: LiveChart | None) -> dict[str, Any]:
    """What the script looks up."""
    return {
        "ages": view.ages,
        "start": view.start,
        "startAge": view.start_age,
        "choices": [choice | curve for choice, curve in zip(view.choices, view.curves, strict=True)],
        "chart": None if chart is None else chart.spec,
    }


def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("riskmodel.brief"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["sorted_by"] = _sorted_by
    environment.filters["with_code"] = with_code
    environment.policies["json.dumps_function"] = _compact
    return environment


def with_code(words: str) -> Markup:
    """Words with names between backticks set as code; everything else is escaped."""
    return Markup(re.sub("`([^`]+)`", r"<code>\1</code>", str(escape(words))))


def _compact(value: object, **options: Any) -> str:
    """JSON without spaces; NaN is refused, since no browser reads it."""
    return json.dumps(value, separators=(",", ":"), allow_nan=False, ensure_ascii=False)


def _sorted_by(one: Cell) -> str:
    """What a cell sorts by, as text."""
    return one.text.casefold() if one.by is None else repr(float(one.by))


def _text(name: str) -> str:
    return resources.files(__package__).joinpath("templates", name).read_text(encoding="utf-8")
