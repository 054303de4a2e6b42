"""Priors that go together: the copula against scipy's normal, in draws, in the sampler's graph and on file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from builders import priors, quantity
from scipy import stats
from surveyed import full_prior

from riskmodel.carry import carry_on, normal_score_correlation, toml_text
from riskmodel.distribution import Distribution
from riskmodel.errors import PriorError
from riskmodel.joint import Joint
from riskmodel.jointfile import joint_table
from riskmodel.lives import Draws
from riskmodel.parameters import Layout
from riskmodel.places import EFFECT, marginals_of, places, taken_jointly
from riskmodel.priordraws import prior_draws
from riskmodel.priors import PriorSet, load_priors
from riskmodel.stated import joint_log_ratio, stated_draws
from riskmodel.together import Together

FOLLOWED = ("early_failure", "removal_lag", "wear_out.shape", "path.noise", "type.any.wear_out_median",
            "wear_out.common", "measure.prompt_sawing.compliance", "measure.prompt_sawing.effect.1.ratio")  # fmt: skip


def correlated(names: tuple[str, ...], known: dict[str, str], seed: int = 1) -> Joint:
    loading = np.random.default_rng(seed).normal(size=(len(names), 2))
    covariance = loading @ loading.T + 0.5 * np.eye(len(names))
    sd = np.sqrt(np.diag(covariance))
    return Joint(names, covariance / np.outer(sd, sd), tuple(known[name] for name in names))


@pytest.fixture(scope="module")
def small() -> PriorSet:
    """One type, two mechanisms, a measure, and eight quantities of four families taken jointly."""
    plain = priors()
    return replace(plain, joint=correlated(FOLLOWED, marginals_of(plain)))


def scores_of(drawn: Draws, stated: PriorSet) -> dict[str, np.ndarray]:
    found = stated_draws(drawn, stated, 10.0, np.ones(1))
    return {p.key: d.score(x) * (-1 if p.variable == EFFECT else 1) for p, d, x in found if d.family != "fixed"}


def test_prior_draws_keep_every_marginal_and_have_the_correlations(small: PriorSet) -> None:
    assert small.joint is not None
    z = scores_of(Draws.of(prior_draws(small, draws=8_000, seed=3)), small)
    for name in marginals_of(small):
        assert stats.kstest(z[name], "norm").pvalue > 1e-4, name
    found = np.corrcoef(np.stack([z[name] for name in FOLLOWED]))
    np.testing.assert_allclose(found, small.joint.correlation, atol=4.0 / np.sqrt(8_000))
    others = [name for name in z if name not in FOLLOWED]
    alone = np.corrcoef(np.stack([z[name] for name in (*FOLLOWED, *others)]))[: len(FOLLOWED), len(FOLLOWED) :]
    assert np.abs(alone).max() < 5.0 / np.sqrt(8_000)


def test_the_log_ratio_is_that_of_scipy(small: PriorSet) -> None:
    assert small.joint is not None
    drawn = Draws.of(prior_draws(small, draws=50, seed=4))
    stated = [one for one in stated_draws(drawn, small, 10.0, np.ones(1)) if one[1].family != "fixed"]
    z = np.stack([scores_of(drawn, small)[name] for name in FOLLOWED], axis=1)
    wanted = stats.multivariate_normal(cov=small.joint.correlation).logpdf(z) - stats.norm.logpdf(z).sum(axis=1)
    np.testing.assert_allclose(joint_log_ratio(stated, small), wanted, atol=1e-9)
    # some of the quantities: the copula's margin
    some = [one for one in stated if one[0].key in FOLLOWED[:3]]
    corner = stats.multivariate_normal(cov=small.joint.correlation[:3, :3]).logpdf(z[:, :3])
    np.testing.assert_allclose(
        joint_log_ratio(some, small), corner - stats.norm.logpdf(z[:, :3]).sum(axis=1), atol=1e-9
    )
    assert joint_log_ratio(stated, replace(small, joint=None)) == 0.0


def test_the_sampler_s_graph_has_the_same_density(small: PriorSet) -> None:
    import pytensor
    import pytensor.tensor as pt

    from riskmodel.jointmodel import normal_score
    from riskmodel.model import build_model

    model, alone = build_model(None, small), build_model(None, replace(small, joint=None))
    assert "joint_prior" not in {str(p.name) for p in alone.potentials}
    (term,) = model.potentials
    drawn = full_prior(replace(small, joint=None), draws=6, seed=5)
    stated = [one for one in stated_draws(Draws.of(drawn), small, 10.0, np.ones(1)) if one[1].family != "fixed"]
    wanted = np.asarray(joint_log_ratio(stated, small))
    value = pytensor.function(model.free_RVs, term, mode="FAST_COMPILE", on_unused_input="ignore")
    for i in range(6):
        at = [drawn[str(variable.name)].values[0, i] for variable in model.free_RVs]
        assert float(value(*at)) == pytest.approx(wanted[i], abs=1e-8)
    # far into both tails, with a derivative
    for family, parameters in (("beta", (3.0, 27.0)), ("gamma", (3.0, 0.2)), ("skewed", (1.0, 0.5, 0.3))):
        prior = Distribution(family, parameters)
        x = pt.dvector("x")
        z = normal_score(prior, x)
        both = pytensor.function([x], [z, pt.grad(z.sum(), x)], mode="FAST_COMPILE")
        at = prior.ppf([1e-9, 0.01, 0.5, 0.99, 1.0 - 1e-9])
        found, slope = both(at)
        np.testing.assert_allclose(found, prior.score(at), rtol=1e-8, atol=1e-9)
        np.testing.assert_allclose(slope, prior.pdf(at) / stats.norm.pdf(found), rtol=1e-5)


@pytest.mark.parametrize("medians", ["lognormal", "gamma"])
def test_the_density_without_a_graph_is_the_graph_s(small: PriorSet, medians: str) -> None:
    """Value at draws, gradient by differences, at the middle of the priors and far out."""
    import pytensor

    from riskmodel.model import build_model

    if medians == "gamma":
        kinds = tuple(replace(t, wear_out_median=quantity("gamma", 40.0, 1.0)) for t in small.types)
        plain = replace(small, types=kinds, joint=None)
        small = replace(plain, joint=correlated(FOLLOWED, marginals_of(plain)))
    model, layout = build_model(None, small), Layout.of(small, {})
    found = Together.of(small, layout)
    assert found is not None
    graph = pytensor.function(model.free_RVs, model.potentials[0], mode="FAST_COMPILE", on_unused_input="ignore")
    for seed, spread in ((1, 0.3), (2, 1.0), (3, 3.0)):
        x = layout.centre + spread * np.random.default_rng(seed).standard_normal(layout.size) * 0.5
        value, gradient = found.log_ratio(x)
        values = layout.natural(x)[0]
        skewed = np.array([law.family == "skewed" for law in layout.laws])
        values = np.where(skewed, x, values)
        shapes = {v.name: v.shape.eval() for v in model.free_RVs}
        at = [values[layout.spans[str(v.name)]].reshape(shapes[v.name]) for v in model.free_RVs]
        assert value == pytest.approx(float(graph(*at)), rel=1e-8, abs=1e-8)
        steps = 1e-6 * np.eye(layout.size)
        slopes = [(found.log_ratio(x + step)[0] - found.log_ratio(x - step)[0]) / 2e-6 for step in steps]
        np.testing.assert_allclose(gradient, slopes, rtol=1e-5, atol=1e-5)


@pytest.mark.slow
def test_the_sampler_finds_what_the_prior_draws_find(small: PriorSet) -> None:
    import nutpie

    from riskmodel.model import build_model

    tree = nutpie.sample(nutpie.compile_pymc_model(build_model(None, small)), draws=3000, tune=600, chains=2, seed=1,
                         progress_bar=False)  # fmt: skip
    assert small.joint is not None
    z = scores_of(Draws.of(tree["posterior"].to_dataset()), small)
    found = np.stack([z[name] for name in FOLLOWED])
    np.testing.assert_allclose(found.mean(axis=1), 0.0, atol=0.12)
    np.testing.assert_allclose(found.std(axis=1), 1.0, atol=0.10)
    ranks = stats.spearmanr(found.T).statistic
    wanted = 6.0 / np.pi * np.arcsin(small.joint.correlation / 2.0)  # of a normal copula
    np.testing.assert_allclose(ranks, wanted, atol=0.09)


def test_correlations_of_few_draws_are_shrunk_and_positive_definite() -> None:
    rng = np.random.default_rng(1)
    few = normal_score_correlation({f"q{i}": rng.normal(size=20) for i in range(40)})
    assert np.linalg.eigvalsh(few)[0] > 0.05
    x = rng.normal(size=50_000)
    many = normal_score_correlation({"a": np.exp(x), "b": x + rng.normal(size=50_000)})
    assert many.loc["a", "b"] == pytest.approx(np.sqrt(0.5), abs=0.01)


# ------------------------------------------------------------------------------------------- carried


def learnt(stated: PriorSet) -> xr.Dataset:
    """Draws as if records had told when overlays of every type wear out, to 5 %: of each sum, not of its parts."""
    drawn = prior_draws(stated, draws=2000, seed=1)
    noise = np.random.default_rng(1).normal(0.0, 0.05, size=drawn["wear_out_median"].shape)
    # given the sum, the common part keeps its own prior spread about what the sum says of it
    return drawn.assign(wear_out_median=(drawn["wear_out_median"].dims, 33.0 * np.exp(noise)))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("carried") / "learnt"
    out.mkdir()
    stated = replace(load_priors(), measures=())
    carried = carry_on(learnt(stated), stated, early_age=10.0, mix=np.ones(len(stated.types)), source="x", marks=("a",))
    tables = dict(carried.tables)
    (out / "carried.toml").write_text(toml_text(tables))
    joint_table(load_priors(out), carried.correlations).to_csv(out / "correlations.csv", index=False)
    tables["carried"]["correlations"] = "correlations.csv"
    (out / "carried.toml").write_text(toml_text(tables))
    return out


def test_what_is_known_of_a_sum_is_carried_only_by_the_joint_file(folder: Path) -> None:
    """Records tell when overlays wear out, not how that splits into what types share and what is a type's own."""
    joint = load_priors(folder)
    source = np.log(learnt(replace(load_priors(), measures=()))["wear_out_median"].values[0])
    spread = source.std(axis=0)
    found = [
        np.log(prior_draws(one, draws=4000, seed=2)["wear_out_median"].values[0])
        for one in (joint, replace(joint, joint=None))
    ]
    together, alone = (one.std(axis=0) for one in found)
    np.testing.assert_allclose(together, spread, rtol=0.25)
    assert (alone > 1.8 * spread).all()
    np.testing.assert_allclose(found[0].mean(axis=0), source.mean(axis=0), atol=0.02)


def test_an_overridden_quantity_is_taken_alone(folder: Path) -> None:
    new = {"distribution": "gamma", "parameters": {"shape": 4.0, "scale": 1.0}, "status": "judgement", "source": "us",
           "rationale": "ours"}  # fmt: skip
    whole, changed = load_priors(folder), load_priors(folder, {"removal_lag": new})
    assert whole.joint is not None
    assert changed.joint is not None
    assert (whole.joint.left_out, changed.joint.left_out) == ((), ("removal_lag",))
    assert len(taken_jointly(changed)[0]) == len(taken_jointly(whole)[0]) - 1
    assert changed.removal_lag.distribution == Distribution("gamma", (4.0, 1.0))
    assert changed.files["correlations.csv"] == whole.files["correlations.csv"]


def broken(folder: Path, tmp_path: Path, change: object) -> str:
    """What is said of a folder whose table of correlations was changed."""
    table = pd.read_csv(folder / "correlations.csv")
    (tmp_path / "carried.toml").write_text((folder / "carried.toml").read_text())
    change(table).to_csv(tmp_path / "correlations.csv", index=False)  # type: ignore[operator]
    with pytest.raises(PriorError) as caught:
        load_priors(tmp_path)
    return str(caught.value)


def put(table: pd.DataFrame, cells: dict[tuple[int, str], object]) -> pd.DataFrame:
    table = table.astype(object)
    for (row, column), value in cells.items():
        table.loc[row, column] = value
    return table


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda t: put(t, {(0, t.columns[3]): 0.7}), "row 2, `path.start`: correlations are symmetric"),
        (lambda t: put(t, {(0, t.columns[2]): 0.9}), "a quantity's correlation with itself is 1; got '0.9'"),
        (lambda t: put(t, {(0, t.columns[3]): 7}), "a correlation is a number from -1 to 1; got '7'"),
        (lambda t: put(t, {(0, t.columns[3]): "x"}), "a correlation is a number from -1 to 1; got 'x'"),
        (lambda t: put(t, {(0, "quantity"): "wear_out.shap"}), "no prior that varies has that name"),
        (lambda t: t.drop(index=0), "each quantity has a row and a column, in the same order"),
        (lambda t: t.drop(index=0).drop(columns=t.columns[2]), "every carried quantity has a row; got 'none for"),
        (lambda t: put(t, {(0, "marginal"): "lognormal(mu 9, sigma 1)"}), "the correlations go with other prior files"),
        (lambda t: t.drop(columns="marginal"), "the table begins with the columns quantity and marginal"),
        (lambda t: put(t, {(i, t.columns[j + 2]): v for i, j, v in CYCLE}), "not positive definite"),
    ],
)  # fmt: skip
def test_a_broken_table_is_refused_with_the_remedy(folder: Path, tmp_path: Path, change: object, told: str) -> None:
    said = broken(folder, tmp_path, change)
    assert told in said
    assert "Export the priors again" in said or "Correct" in said or "Write 1" in said or "Did you mean" in said


CYCLE = [(i, j, v) for a, b, v in ((0, 1, 0.95), (1, 2, 0.95), (0, 2, -0.95)) for i, j in ((a, b), (b, a))]


def test_a_missing_table_is_refused_and_none_is_taken_one_by_one(folder: Path, tmp_path: Path) -> None:
    text = (folder / "carried.toml").read_text()
    (tmp_path / "carried.toml").write_text(text)
    with pytest.raises(PriorError, match=r"carried.correlations`: the table of correlations lies beside"):
        load_priors(tmp_path)
    (tmp_path / "carried.toml").write_text(text.replace('correlations = "correlations.csv"\n', ""))
    assert load_priors(tmp_path).joint is None


def test_every_key_names_a_quantity_of_the_prior_files_or_a_part_that_they_share() -> None:
    stated = load_priors()
    known = {q.key for q in stated.quantities()}
    keys = [place.key for place in places(stated)]
    assert len(set(keys)) == len(keys)
    shared = {"wear_out.common", *(f"mechanism.{m.name}.share" for m in stated.mechanisms)}
    assert {key for key in keys if key not in known} == shared
