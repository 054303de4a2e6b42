"""The life curve as a still picture: current practice, the recommendation, and everything together."""

from __future__ import annotations

from functools import partial

from ..figures import plot_life
from ..measures import CURRENT_PRACTICE
from .material import Material
from .pictures import Picture, broken

__all__ = ["life_picture"]


def life_picture(material: Material, chosen: str) -> Picture:
    """Picture of at most three portfolios.

    Parameters
    ----------
    material : Material
    chosen : str
        The recommendation.
    """
    most = max(material.options, key=lambda p: len(p.measures), default=None)
    names = list(dict.fromkeys([CURRENT_PRACTICE, chosen, *([most.name] if most else [])]))
    ages = [age for age in (10, 25, 40) if age <= material.horizon]
    said = "; ".join(f"{material.words(name)}: {_shares(material, name, ages)}" for name in names)
    words = {name: broken(material.words(name)) for name in names}
    return Picture(
        "life",
        "Share of the programme still in good order, by age",
        f"Curves fall with age, each with its 90 % band. {said}.",
        (partial(plot_life, simulation=material.simulation, portfolios=names, words=words),),
        3.6,
    )


def _shares(material: Material, name: str, ages: list[int]) -> str:
    curve = material.simulation["survival"].sel(portfolio=name).mean("sample")
    return ", ".join(f"{100 * float(curve.sel(age=float(age))):.0f} of 100 at age {age}" for age in ages)
