"""Asking experts: the dialogue, the table of answers, what the prior file then says. Invented experts."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator
from fnmatch import fnmatchcase
from pathlib import Path

import click.termui
import numpy as np
import pytest
from runs import command, loaded, said
from scipy import stats

from riskmodel.elicitation import ElicitationError, Expert, pool_experts
from riskmodel.elicitwords import IN_WORDS, elicited_lines
from riskmodel.expertanswers import PROBABILITIES, AnswerError, judged, read_answers, topic_of
from riskmodel.priorentry import entry_text, validate_entry
from riskmodel.priors import load_priors, with_overrides

SAWING = ("Ada", "20", "80", "45", "y")
Answered = Callable[..., None]


@pytest.fixture(scope="module")
def priors():
    return load_priors()


@pytest.fixture
def answered(monkeypatch: pytest.MonkeyPatch) -> Answered:
    """Someone at the terminal who gives these answers and then goes away, or is asked nothing more."""

    def give(*answers: str, then: type[BaseException] = EOFError) -> None:
        left: Iterator[str] = iter(answers)

        def answer(prompt: str = "") -> str:
            print(prompt, end="")
            try:
                return next(left)
            except StopIteration:
                raise then from None

        monkeypatch.setattr(click.termui, "visible_prompt_func", answer)

    return give


def expert(name: str, *of_100: float, weight: float = 1.0) -> Expert:
    return Expert(name, PROBABILITIES, tuple(value / 100 for value in of_100), weight)


# ------------------------------------------------------------------------------- the dialogue


def test_a_dialogue_writes_a_prior_that_a_study_reads(priors, answered: Answered, tmp_path: Path, capsys) -> None:
    answered(*SAWING, "n", "Late cuts explain half of it.")
    target = tmp_path / "sawing.toml"
    status, out, _ = said(capsys, "elicit", "prompt_sawing", "--to", target)
    assert status == 0
    told = " ".join(out.split())
    assert "Of 100 sections that would have failed early this way, how many still would" in told
    assert "random cracking by late or shallow cuts" in told
    assert "Judgement is judgement" in told
    assert "licensed engineer" in told
    entry = tomllib.loads(target.read_text(encoding="utf-8"))["priors"]["override"]
    effect = with_overrides(priors, entry).measure("prompt_sawing").effects[0]
    assert (effect.origin, effect.scale, effect.ratio.status) == ("elicited", "risk_ratio", "elicited")
    assert effect.ratio.source == "elicited from Ada"
    assert effect.ratio.rationale == "Late cuts explain half of it."
    np.testing.assert_allclose(effect.ratio.distribution.ppf([0.05, 0.5, 0.95]), [0.2, 0.45, 0.8], rtol=0.05)


def test_what_it_implies_in_trade_words(priors, answered: Answered, tmp_path: Path, capsys) -> None:
    answered(*SAWING, "n", "why")
    _, out, _ = said(capsys, "elicit", "prompt_sawing", "--to", tmp_path / "x.toml")
    ratio = pool_experts([expert("Ada", 20, 45, 80)], support="positive").distribution
    mechanism = priors.mechanism("random_cracking")
    share = np.mean([mechanism.share.get(kind, 0.0) for kind in priors.measure("prompt_sawing").effects[0].applies_to])
    early = 100 * priors.early_failure.distribution.mean * share
    told = " ".join(out.split())
    assert f"averts {100 * (1 - ratio.median):.0f} of 100 such failures" in told
    assert f"save {early * (1 - ratio.median):.1f} of 100 sections" in told


@pytest.mark.parametrize(
    ("wrong", "match"),
    [
        (("forty",), "a number is expected, with a point for decimals"),
        (("0",), "nothing is certain, so write 0.5 for hardly any"),
        (("-3",), "a number of sections above 0 is expected"),
        (("nan",), "a number is expected"),
        (("2000",), "more than 100 where the measure does harm"),
        (("20", "20"), "the most must exceed the least; got 20 against 20"),
        (("20", "80", "90"), "the middle lies between the least and the most; got 90 against 20 and 80"),
    ],
)
def test_impossible_answers_are_asked_again(
    answered: Answered, tmp_path: Path, capsys, wrong: tuple[str, ...], match: str
) -> None:
    right = ("20", "80", "45")[len(wrong) - 1 :]
    answered("Ada", *wrong, *right, "y", "n", "why")
    status, out, err = said(capsys, "elicit", "prompt_sawing", "--to", tmp_path / "x.toml")
    assert status == 0
    assert match in " ".join((out + err).split())
    assert "p05 = 0.2, p50 = 0.45, p95 = 0.8" in (tmp_path / "x.toml").read_text()


def test_an_expert_may_take_it_back_and_names_come_once(answered: Answered, tmp_path: Path, capsys) -> None:
    answered("Ada", "1", "3", "2", "n", "20", "80", "45", "y", "y", "Ada", "", "Ben", "30", "90", "60", "y", "n", "why")
    status, out, _ = said(capsys, "elicit", "prompt_sawing", "--to", tmp_path / "x.toml")
    assert status == 0
    assert "each expert is asked once" in out
    text = (tmp_path / "x.toml").read_text()
    assert text.index('name = "Ada", weight = 1, p05 = 0.2') < text.index('name = "Ben"')
    assert "Disagreement:" in out


@pytest.mark.parametrize("answers", [(), ("Ada",), ("Ada", "20", "80"), SAWING, (*SAWING, "y"), (*SAWING, "n")])
@pytest.mark.parametrize("then", [KeyboardInterrupt, EOFError])
def test_stopping_anywhere_leaves_nothing(
    answered: Answered, tmp_path: Path, capsys, answers: tuple[str, ...], then: type[BaseException]
) -> None:
    answered(*answers, then=then)
    status, _, err = said(capsys, "elicit", "prompt_sawing", "--to", tmp_path / "x.toml")
    assert status == 130
    assert "stopped" in err
    assert list(tmp_path.iterdir()) == []


def test_any_quantity_of_the_prior_files(priors, answered: Answered, tmp_path: Path, capsys) -> None:
    answered("Ada", "0", "0.03", "1.5", "0.19", "0.09", "y", "n", "why")
    status, out, _ = said(capsys, "elicit", "early_failure", "--to", tmp_path / "x.toml")
    assert status == 0
    told = " ".join(out.split())
    assert "neither 0 nor 1" in told
    assert re.search(r"Of 100 new overlays without any of the measures (8\.\d+|9\S*) \(", told)
    entry = tomllib.loads((tmp_path / "x.toml").read_text())["priors"]["override"]
    changed = with_overrides(priors, entry).early_failure
    assert changed.distribution.family == "beta"
    assert changed.distribution.median == pytest.approx(0.09, rel=0.05)


# ------------------------------------------------------------------------------- the table


def test_answers_from_a_table_equal_the_dialogue(answered: Answered, tmp_path: Path, capsys) -> None:
    (tmp_path / "answers.csv").write_text("expert,p05,p50,p95,weight\nAda,20,45,80,\nBen,40,60,90,2\n")
    line = ("elicit", "prompt_sawing", tmp_path / "answers.csv", "--pooling", "logarithmic")
    status, out, _ = said(capsys, *line, "--to", tmp_path / "x.toml", "--reasons", "why", "--source", "two letters")
    assert status == 0
    experts = [expert("Ada", 20, 45, 80), expert("Ben", 40, 60, 90, weight=2.0)]
    ratio = pool_experts(experts, support="positive", method="logarithmic").distribution
    entry = tomllib.loads((tmp_path / "x.toml").read_text())["priors"]["override"]
    stated = entry["measure"]["prompt_sawing"]["effect"]["1"]["ratio"]
    np.testing.assert_allclose(stated["interval_90"], ratio.interval(), rtol=1e-4)
    assert (stated["source"], stated["rationale"], stated["pooling"]) == ("two letters", "why", "logarithmic")
    assert "logarithmic" in out


def test_every_fault_of_the_table_at_once(priors, tmp_path: Path) -> None:
    file = tmp_path / "answers.csv"
    file.write_text("expert,p05,p50,p95,weight\nAda,20,45,80,1\nAda,0,45,80,1\nCy,50,45,80,1\nDi,1,2,,1\nEd,1,2,3,-1\n")
    with pytest.raises(AnswerError) as caught:
        read_answers(file, topic_of("prompt_sawing", priors))
    text = str(caught.value)
    for part in (
        "row 3, `expert`: each expert has one row; see row 2; got 'Ada'",
        "row 3, `p05`: a number of sections above 0 is expected",
        "row 4, `p05, p50, p95`: the middle lies between",
        "row 5, `p95`",
        "row 6, `weight`",
    ):
        assert part in text, part
    file.write_text("expert,p05,p50,p95\n")
    with pytest.raises(AnswerError, match="holds at least one expert"):
        read_answers(file, topic_of("prompt_sawing", priors))


def test_nothing_is_overwritten_silently(answered: Answered, tmp_path: Path, capsys) -> None:
    target = tmp_path / "x.toml"
    target.write_text("mine")
    answered()
    status, out, err = said(capsys, "elicit", "prompt_sawing", "--to", target)
    assert (status, out) == (2, "")  # refused before anything is asked
    assert "the file exists already" in err
    assert target.read_text() == "mine"
    answered(*SAWING, "n", "why")
    assert said(capsys, "elicit", "prompt_sawing", "--to", target, "--replace")[0] == 0
    assert "Ada" in target.read_text()


@pytest.mark.parametrize(
    ("arguments", "match"),
    [
        (("prompt_sawin", "--to", "x.toml"), "Did you mean `prompt_sawing`"),
        (("qqq", "--to", "x.toml"), "Measures: pre_survey"),
        (("prompt_sawing.9", "--to", "x.toml"), "no such effect; got 'prompt_sawing.9'. Known: prompt_sawing.1"),
        (("prompt_sawing", "--to", "x.txt"), "ends in .toml"),
        (("prompt_sawing", "--to", "nowhere/x.toml"), "must exist and be writable"),
        (("prompt_sawing", "--to", "x.toml", "--source", "a\tb"), "a printable text is expected"),
        (("prompt_sawing", "nowhere.csv", "--to", "x.toml"), "nowhere.csv"),
    ],
)
def test_faults_of_the_question(
    answered: Answered, tmp_path: Path, capsys, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], match: str
) -> None:
    monkeypatch.chdir(tmp_path)
    answered()
    status, out, err = said(capsys, "elicit", *arguments)
    assert (status, out) == (2, "")
    assert match in err
    assert list(tmp_path.iterdir()) == []


# ------------------------------------------------------------------------------- together


def test_disagreement(priors) -> None:
    topic = topic_of("prompt_sawing", priors)
    same = judged(topic, [expert("Ada", 20, 45, 80), expert("Ben", 20, 45, 80)])
    assert same.between == pytest.approx(0.0, abs=1e-12)
    assert same.furthest[2] == pytest.approx(0.5, abs=0.01)
    apart = judged(topic, [expert("Ada", 60, 75, 90), expert("Ben", 10, 15, 22)])
    assert apart.between > 0.8
    first, second, chance = apart.furthest
    assert (first, second) == ("Ada", "Ben")
    assert chance > 0.99
    # against the variance of a plain sample of the pool
    rng = np.random.default_rng(1)
    drawn = np.concatenate([fit.distribution.sample(rng, 200_000) for fit in apart.fits])
    within = np.mean([fit.distribution.sd**2 for fit in apart.fits])
    assert apart.between == pytest.approx(1 - within / drawn.var(), abs=0.01)


def test_logarithmic_pool(priors) -> None:
    """The logarithmic pool of two normals is normal: precisions average, means are weighted by them."""
    topic = topic_of("prompt_sawing", priors)
    close = judged(topic, [expert("Ada", 40, 50, 62.5), expert("Ben", 48, 60, 75)])
    assert set(close.pooled) == {"linear", "logarithmic"}
    logs = [f.distribution.parameters for f in close.fits if f.distribution.family == "lognormal"]
    assert len(logs) == 2
    precision = np.array([1 / sigma**2 for _, sigma in logs])
    mean = precision @ [mu for mu, _ in logs] / precision.sum()
    sd = 1 / np.sqrt(precision.mean())
    expected = stats.lognorm(sd, scale=np.exp(mean)).ppf([0.05, 0.5, 0.95])
    np.testing.assert_allclose(close.pooled["logarithmic"].ppf([0.05, 0.5, 0.95]), expected, rtol=1e-3)


def test_experts_who_do_not_overlap(priors) -> None:
    """The linear pool stands and says so; the logarithmic one is refused when it is to be the prior."""
    topic = topic_of("year_slope", priors)
    apart = [Expert("Ada", PROBABILITIES, (1.0, 2.0, 2.2)), Expert("Ben", PROBABILITIES, (100.0, 101.0, 110.0))]
    found = judged(topic, apart)
    assert set(found.pooled) == {"linear"}
    told = " ".join(elicited_lines(found))
    assert "none: the experts' ranges do not overlap" in told
    assert "find out why before you pool them" in told
    with pytest.raises(ElicitationError, match="do not overlap"):
        judged(topic, apart, pooling="logarithmic")


@pytest.mark.parametrize("name", ['Ann "the saw" O\'Hare', "back\\slash", "Zoë Ångström", "=SUM(A1)", "[table]"])
def test_names_survive_the_file(priors, name: str) -> None:
    elicited = judged(topic_of("prompt_sawing", priors), [expert(name, 20, 45, 80), expert("Ben", 30, 60, 90)])
    text = entry_text(elicited, source=f"asked {name}", rationale="why")
    validate_entry(text, priors)
    stated = tomllib.loads(text)["priors"]["override"]["measure"]["prompt_sawing"]["effect"]["1"]["ratio"]
    assert stated["experts"][0]["name"] == name
    assert stated["source"] == f"asked {name}"


@pytest.mark.parametrize("measure", [m.name for m in load_priors().measures])
def test_every_effect_of_the_prior_files_can_be_elicited(priors, measure: str) -> None:
    for number, _ in enumerate(priors.measure(measure).effects, 1):
        topic = topic_of(f"{measure}.{number}", priors)
        text = entry_text(judged(topic, [expert("Ada", 30, 60, 110)]), source="test", rationale="test")
        validate_entry(text, priors)


def test_words_are_of_quantities_that_exist(priors) -> None:
    keys = [quantity.key for quantity in priors.quantities()]
    assert all(any(fnmatchcase(key, pattern) for key in keys) for pattern in IN_WORDS)


def test_help_loads_nothing_heavy() -> None:
    found = command("elicit", "--help", options=("-X", "importtime"))
    assert found.returncode == 0
    assert not {"numpy", "xarray", "pandas", "pymc"} & loaded(found.stderr)
