# ruff: noqa: E501
"""Good tables and a good study, to be damaged. Everything here is invented."""

from __future__ import annotations

from faulty_tables import Layout


def layout(file: str, text: str, kinds: str, *filled: str) -> Layout:
    rows = [line.split(",") for line in text.strip().splitlines()]
    return Layout(file, rows, dict(zip(rows[0], kinds.split(), strict=True)), filled)


ROAD = "text date choice choice number number number number text text text number number flag flag"
SECTIONS = layout(
    "sections.csv",
    """
section,opened,bond,base,thickness_in,panel_length_ft,trucks_per_day,area_yd2,district,contractor,project,existing_pci,wcm,prompt_sawing,internal_curing,randomised,verified,observed_from,last_seen,removed,removal_reason,failed_after,failed_by,cause
S1,1996-07-09,bonded,concrete,4.5,15,446,23400,Nørrø,Gristlow Paving,P1,45,0.42,0,0,,,2006-03-09,,2018-10-16,condition,,,wear_out
S2,2001-05-01,unbonded,asphalt,6,6,1200,15300,Nørrø,Gristlow Paving,P1,62,0.40,1,0,prompt_sawing,prompt_sawing,,,,,,,
S3,2003-06-02,unbonded,composite,8,12,88.5,9000,South,Ardel & Sons,P2,30,0.45,0,1,,internal_curing,,,2015-03-01,condition,,,random_cracking
S4,2004-06-02,bonded,asphalt,5,6,300,9100,South,Ardel & Sons,P2,71,0.41,1,1,,prompt_sawing;internal_curing,,2016-01-01,,,2012-01-01,,
S5,2006-08-20,unbonded,concrete,7,12,910,12000,Vest Ås,Gristlow Paving,P3,55,0.39,0,0,prompt_sawing,,,,,,,,
S6,2007-08-21,unbonded,concrete,7.5,12,911,12500,Vest Ås,Ardel & Sons,P4,54,0.38,1,0,prompt_sawing,,,,2019-04-05,other,,,
S7,2009-04-30,bonded,composite,4,6,150,4000,South,Gristlow Paving,P5,80,0.43,0,1,,,,,,,2013-05-01,2016-05-01,debonding
S8,2011-10-10,unbonded,asphalt,9,14,2400,31000,Nørrø,Ardel & Sons,P6,40,0.44,1,1,,,2012-01-01,,,,,,
""",
    f"{ROAD} names names date date date choice date date names",
    *("section", "opened", "bond", "base"),
)  # fmt: skip
SURVEYS = layout(
    "surveys.csv",
    """
section,surveyed,pci,restored,rater
S1,2006-06-01,92,0,Bry
S1,2009-06-25,75,0,crew 7
S2,2005-06-01,95.5,,Bry
S2,2010-06-01,88,0,
S2,2016-06-01,71,0,Åse Lund
S3,2008-05-05,66,0,crew 7
S5,2012-05-05,90,,Bry
S6,2013-05-05,91,0,
S7,2015-05-05,58,0,crew 7
S8,2015-05-06,97,0,Åse Lund
S8,2019-05-06,,,Bry
""",
    "text date number flag text",
    *("section", "surveyed"),
)
PLANNED = layout(
    "planned.csv",
    """
section,opened,bond,base,thickness_in,panel_length_ft,trucks_per_day,area_yd2,district,contractor,project,existing_pci,wcm,prompt_sawing,internal_curing
N1,,bonded,concrete,4.5,15,446,23400,Nørrø,Gristlow Paving,P1,45,0.42,0,0
N2,2030-05-01,unbonded,asphalt,6,6,1200,15300,South,,,62,0.40,1,
N3,,unbonded,composite,8,12,88.5,9000,South,Ardel & Sons,P2,30,,0,1
""",
    ROAD,
    *("section", "bond", "base"),
)
LATER_SECTIONS = layout(
    "rounds/sections.csv",
    """
section,opened,bond,base,thickness_in,contractor,internal_curing,last_seen,removed,removal_reason,cause
S2,,,,,,,2019-05-05,,,
S5,,,,,,,,2020-05-01,condition,debonding
S9,2018-05-05,bonded,asphalt,5,Ardel & Sons,1,,,,
""",
    "text date choice choice number text flag date date choice names",
    "section",
)
LATER_SURVEYS = layout(
    "rounds/surveys.csv",
    "section,surveyed,pci,restored\nS2,2018-06-01,66.5,0\nS8,2019-06-02,93,\nS7,2019-06-02,,1\nS2,2016-06-01,71,0\n",
    "text date number flag",
    *("section", "surveyed"),
)
ANSWERS = layout(
    "answers.csv",
    "expert,p05,p50,p95,weight\nAsta Lund,20,45,80,1\nB. Ødegård,35,60,90,2\nC. Vane,10,30,55.5,1\n",
    "text number number number number",
    *("expert", "p05", "p50", "p95"),
)

STUDY = """schema = 1
[study]
title = "Overlays of nowhere"
agency = "An invented authority"
[records]
sections = "sections.csv"
surveys = "surveys.csv"
until = 2020-07-01
[columns]
district = "region"
[condition]
index = "pci"
threshold = 60
removal_level = 40
stretch = 0.04
path = "power_z"
far_below = 20
unrecorded_restorations = "set_aside"
[life]
early_age = 8
horizon = 50
ages = [20, 40]
[programme]
weight_by_area = true
score_shift = { workmanship = 0.3 }
[portfolios]
measures = ["prompt_sawing", "internal_curing"]
[decision]
analysis_period = 40
discount_rate = 0.03
price_year = 2024
follow_up = "reconstruct"
reconstruction_life = { p05 = 22, p50 = 32, p95 = 45 }
reconstruction_shape = 3.5
budget = 5_000_000
[sampling]
chains = 2
draws = 100
seed = 7
"""
