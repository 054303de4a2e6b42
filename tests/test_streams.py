"""Random streams: published vectors, uniformity, independence, and what a number depends on."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from riskmodel.streams import philox, purpose_key, section_words, uniforms

NAMES = [f"section {n}" for n in range(400)]


@pytest.mark.parametrize(
    ("counter", "key", "expected"),
    [
        ((0, 0, 0, 0), 0, (0x6627E8D5, 0xE169C58D, 0xBC57AC4C, 0x9B00DBD8)),
        ((0xFFFFFFFF,) * 4, 2**64 - 1, (0x408F276D, 0x41C83B0E, 0xA20BC7C6, 0x6D5451FD)),
        (
            (0x243F6A88, 0x85A308D3, 0x13198A2E, 0x03707344),
            0x299F31D0A4093822,
            (0xD16CFE09, 0x94FDCCEB, 0x5001E420, 0x24126EA1),
        ),
    ],
)
def test_known_answers_of_philox(counter, key, expected):
    """Philox4x32-10 at the counters and keys of the authors' own test vectors (from memory)."""
    found = philox([np.uint64(word) for word in counter], key)
    assert tuple(int(word) for word in found) == expected


def test_numbers_are_uniform():
    """Kolmogorov-Smirnov on 400,000 numbers, mean and variance within 4 standard errors."""
    u = uniforms(1, "age", NAMES, 500, 2).ravel()
    assert stats.kstest(u, "uniform").pvalue > 1e-3
    assert u.mean() == pytest.approx(0.5, abs=4 * np.sqrt(1 / 12 / u.size))
    assert u.var() == pytest.approx(1 / 12, abs=4 * np.sqrt(1 / 180 / u.size))
    assert 0.0 < u.min() < u.max() < 1.0


def test_bits_are_even():
    """Each of the 52 bits of a number is set half the time, within 4.5 standard errors."""
    u = uniforms(2, "bits", NAMES, 500)
    whole = (u * 2.0**52).astype(np.uint64).ravel()
    share = np.array([((whole >> np.uint64(bit)) & np.uint64(1)).mean() for bit in range(52)])
    assert abs(share - 0.5).max() < 4.5 * 0.5 / np.sqrt(whole.size)


@pytest.mark.parametrize(
    "pair",
    [
        lambda u, v: (u[:, :-1, 0], u[:, 1:, 0]),  # one draw and the next
        lambda u, v: (u[:-1, :, 0], u[1:, :, 0]),  # one section and the next
        lambda u, v: (u[:, :, 0], u[:, :, 1]),  # the two numbers of a block
        lambda u, v: (u[:, :, 0], u[:, :, 2]),  # one block and the next
        lambda u, v: (u[:, :, 0], v[:, :, 0]),  # two purposes
    ],
)
def test_neighbours_are_independent(pair):
    """Counts in 16 x 16 cells of pairs: chi-squared with 255 degrees of freedom."""
    u, v = (uniforms(3, purpose, NAMES, 300, 3) for purpose in ("required a", "required b"))
    one, other = (a.ravel() for a in pair(u, v))
    counts = np.histogram2d(one, other, bins=16, range=[[0, 1], [0, 1]])[0]
    assert stats.chisquare(counts.ravel()).pvalue > 1e-3


def test_seeds_and_purposes_have_keys_of_their_own():
    keys = {purpose_key(seed, purpose) for seed in range(50) for purpose in ("score", "age", "lag")}
    assert len(keys) == 150
    words = section_words([f"road {n}" for n in range(20_000)])
    assert len(set(map(tuple, words.T.tolist()))) == 20_000
    assert words.max() < 2**32


def test_a_number_depends_on_seed_purpose_section_and_draw_alone():
    whole = uniforms(5, "score", NAMES, 40, 3)
    np.testing.assert_array_equal(uniforms(5, "score", NAMES[7:9], 40, 3), whole[7:9])
    np.testing.assert_array_equal(uniforms(5, "score", NAMES[::-1], 11, 1), whole[::-1, :11, 0])
    assert not (uniforms(6, "score", NAMES, 40, 3) == whole).any()
    assert uniforms(5, "score", [], 4, 2).shape == (0, 4, 2)
