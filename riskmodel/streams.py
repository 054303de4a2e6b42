"""Named, counter-based random streams: one for each purpose and section.

A number depends on the seed, the purpose and the section's name alone: not on how many sections
there are, how they are cut into chunks, how many workers share them, or which portfolios are asked for.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import numpy as np

__all__ = ["integer_seed", "stream", "uniforms"]


def _key(seed: int, *names: object) -> int:
    text = "\x1f".join([str(seed), *map(str, names)])
    return int.from_bytes(hashlib.blake2b(text.encode(), digest_size=16).digest(), "little")


def stream(seed: int, *names: object) -> np.random.Generator:
    """Generator for one purpose, for example `stream(seed, "life", section)`.

    Parameters
    ----------
    seed : int
        The study's seed.
    *names : object
        What the numbers are for; their text is the key.
    """
    return np.random.Generator(np.random.Philox(key=_key(seed, *names)))


def integer_seed(seed: int, *names: object) -> int:
    """Integer below 2^31 for libraries that take an integer seed."""
    return _key(seed, *names) & 0x7FFFFFFF


def uniforms(seed: int, purpose: str, sections: Sequence[str] | np.ndarray, samples: int, width: int = 1) -> np.ndarray:
    """Uniform numbers in (0, 1) that belong to each section.

    Parameters
    ----------
    seed : int
    purpose : str
    sections : sequence of str
    samples : int
        Posterior draws; the numbers of draw d do not depend on how many follow it.
    width : int
        Numbers for each draw and section.

    Returns
    -------
    ndarray (section, sample, width), or (section, sample) if width is 1
    """
    out = np.empty((len(sections), samples, width))
    for row, section in enumerate(sections):
        out[row] = stream(seed, purpose, section).random((samples, width))
    np.maximum(out, np.finfo(float).tiny, out=out)
    return out[..., 0] if width == 1 else out
