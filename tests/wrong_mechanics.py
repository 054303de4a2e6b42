"""Indicators from mechanics, and faults put into them: table, text, what replaces it, what the refusal must say."""
# ruff: noqa: E501

from __future__ import annotations

ABOUT = 'status = "judgement"\nsource = "invented for a test"\n'
PLAIN = "centre = 1.0\nscale = 0.5\nloading = 0.3\n" + ABOUT
PANELS = f"""
[indicator.panels]
score = "design"
function = "relative_panel_length"
columns = {{ panel_length = "panel_length", thickness = "thickness" }}
constants = {{ modulus = {{ value = 28000, unit = "MPa" }}, subgrade = {{ value = 40, unit = "MN/m3" }} }}
unit = "ratio"
{PLAIN}"""
JOINTS = f"""
[indicator.joints]
score = "workmanship"
function = "saturation_time"
unit = "years"
{PLAIN}
[indicator.joints.columns]
w_cm = "wcm"
air = {{ column = "air_content", unit = "%" }}
[indicator.joints.constants]
cementitious = {{ value = 335, unit = "kg/m3" }}
hydration = {{ value = 0.8, unit = "fraction" }}
filling_rate = {{ value = 0.003, unit = "1/sqrt(day)" }}
wet_share = {{ value = 1.0, unit = "fraction" }}
"""
AIR = f"""
[indicator.air_content]
score = "workmanship"
kind = "number"
unit = "% by volume"
lowest = 0.5
highest = 15.0
{PLAIN}"""

WRONG = [
    (PANELS, '"relative_panel_length"', '"relative_panel_lenght"', "`indicator.panels.function`: one of thickness_ratio"),
    (PANELS, '"relative_panel_length"', '"relative_panel_lenght"', "Did you mean `relative_panel_length`."),
    (PANELS, ', thickness = "thickness"', "", "`indicator.panels.columns`: the function relative_panel_length needs `thickness`. Name its column here, or its value and unit in `constants`."),
    (PANELS, "thickness = ", "thicknes = ", "`indicator.panels.columns.thicknes`: the function has no such argument. Did you mean `thickness`."),
    (PANELS, '"MPa"', '"ksi"', "`indicator.panels.constants.modulus.unit`: one of MPa, psi, GPa is expected; got 'ksi'."),
    (PANELS, "value = 28000", "value = 28", "`indicator.panels.constants.modulus.value`: a number from 5000 to 60000 MPa is expected; got '28'."),
    (PANELS, "value = 28000", 'value = "28"', "`indicator.panels.constants.modulus.value`: a number from 5000 to 60000 MPa"),
    (PANELS, '{ value = 28000, unit = "MPa" }', "28000", "`indicator.panels.constants.modulus`: a table is expected"),
    (PANELS, ', unit = "MPa"', "", "`indicator.panels.constants.modulus`: `unit` is missing."),
    (PANELS, "{ modulus", '{ thickness = { value = 0.2, unit = "m" }, modulus', "`indicator.panels.constants.thickness`: the argument has a column and a constant."),
    (PANELS, "{ modulus", '{ poison = { value = 0.2, unit = "m" }, modulus', "`indicator.panels.constants.poison`: the function has no such argument."),
    (PANELS, 'unit = "ratio"', 'unit = "m"', "`indicator.panels.unit`: one of ratio is expected; got 'm'."),
    (PANELS, '"thickness" }', '{ column = "thickness", unit = "in" } }', "`indicator.panels.columns.thickness`: the records hold `thickness` in m; got 'in'. Leave the unit out."),
    (PANELS, '"thickness" }', '"district" }', "`indicator.panels.columns.thickness`: the column has another meaning; got 'district'."),
    (PANELS, '"thickness" }', "7 }", "`indicator.panels.columns.thickness`: a text is expected; got '7'."),
    (PANELS, 'unit = "ratio"', 'unit = "ratio"\nlowest = 1', "`indicator.panels.lowest`: the key is not known here."),
    (PANELS, 'unit = "ratio"', 'unit = "ratio"\nreplaces = ["panel"]', "`indicator.panels.replaces`: no other indicator has that name; got 'panel'."),
    (PANELS, 'unit = "ratio"', 'unit = "ratio"\nreplaces = "joints"', "`indicator.panels.replaces`: a list of indicator names is expected"),
    (JOINTS, '{ column = "air_content", unit = "%" }', '"air_content"', "`indicator.joints.columns.air`: `air` lies in 0.001 to 0.15 fraction, but the column goes from 0.5 to 15 % by volume; got 'air_content'. State its unit, as { column = ..., unit = ... }, or narrow its range."),
    (JOINTS, "[indicator.joints.columns]", "[indicator.joints.column]", "`indicator.joints`: `columns` is missing."),
    (AIR, 'kind = "number"', 'kind = "number"\ncolumns = { air = "x" }', "`indicator.air_content.columns`: `columns` goes with a `function`."),
]  # fmt: skip
