"""Named, counter-based random streams: one for each purpose and section.

A number depends on the seed, the purpose, the section's name and the draw alone: not on how many sections
there are, how they are cut into chunks, how many workers share them, or which portfolios are asked for.

`uniforms` is Philox4x32-10 (Salmon, Moraes, Dror and Shaw, Parallel random numbers: as easy as 1, 2, 3,
SC'11, 2011; page not seen), a bijection of a 128-bit counter under a 64-bit key: the key is a digest of seed
and purpose, the counter holds draw, place and a 64-bit digest of the section's name. Ten thousand sections
cost ten thousand digests, not as many generators a purpose; `fatekernel` computes the same numbers where it
needs them.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import numpy as np

__all__ = ["integer_seed", "philox", "purpose_key", "section_words", "stream", "uniforms"]

MULTIPLIERS = 0xD2511F53, 0xCD9E8D57
WEYL = 0x9E3779B9, 0xBB67AE85
ROUNDS = 10
LOW = 0xFFFFFFFF
AT_ONCE = 1 << 16  # numbers worked at a time, so that the rounds stay in the processor's cache


def _key(seed: int, *names: object, size: int = 16) -> int:
    text = "\x1f".join([str(seed), *map(str, names)])
    return int.from_bytes(hashlib.blake2b(text.encode(), digest_size=size).digest(), "little")


def stream(seed: int, *names: object) -> np.random.Generator:
    """Generator for one purpose, for example `stream(seed, "prices")`.

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


def purpose_key(seed: int, purpose: str) -> int:
    """Key of 64 bits for one purpose."""
    return _key(seed, purpose, size=8)


def section_words(sections: Sequence[str] | np.ndarray) -> np.ndarray:
    """Two words of 32 bits that stand for each section's name, uint64 (2, section)."""
    digests = np.array([_key(0, "section", name, size=8) for name in sections], np.uint64)
    return np.stack([digests & LOW, digests >> np.uint64(32)]) if len(digests) else np.zeros((2, 0), np.uint64)


def philox(counter: Sequence[np.ndarray | np.uint64], key: int) -> tuple[np.ndarray, ...]:
    """Four words of 32 bits for each counter: Philox4x32-10.

    Parameters
    ----------
    counter : four ndarrays of uint64
        Words of 32 bits, broadcast against each other; word 0 first.
    key : int
        64 bits.
    """
    a, b, c, d = (np.asarray(word, np.uint64) for word in counter)
    half, low = np.uint64(32), np.uint64(LOW)
    keys = [key & LOW, key >> 32]
    for _ in range(ROUNDS):
        one, two = a * np.uint64(MULTIPLIERS[0]), c * np.uint64(MULTIPLIERS[1])
        a, b, c, d = (
            (two >> half) ^ b ^ np.uint64(keys[0]),
            two & low,
            (one >> half) ^ d ^ np.uint64(keys[1]),
            one & low,
        )
        keys = [(k + step) & LOW for k, step in zip(keys, WEYL, strict=True)]
    return a, b, c, d


def _uniform(high: np.ndarray, low: np.ndarray) -> np.ndarray:
    """Odd multiples of 2^-53 from the upper 52 of 64 bits: strictly between 0 and 1, and symmetric."""
    bits = (high << np.uint64(20)) | (low >> np.uint64(12))
    return (bits.astype(float) + 0.5) * 2.0**-52


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
        Numbers for each draw and section; the first do not depend on how many follow them.

    Returns
    -------
    ndarray (section, sample, width), or (section, sample) if width is 1
    """
    key, words = purpose_key(seed, purpose), section_words(sections)[:, :, None]
    out = np.empty((len(sections), samples, width))
    draw = np.arange(samples, dtype=np.uint64)
    rows = max(1, AT_ONCE // max(samples, 1))
    for block in range(-(-width // 2)):
        for start in range(0, len(sections), rows):
            low, high = words[:, start : start + rows]
            found = philox((draw, np.uint64(block), low, high), key)
            for column in range(2 * block, min(2 * block + 2, width)):
                one, other = found[:2] if column % 2 == 0 else found[2:]
                out[start : start + rows, :, column] = _uniform(one, other)
    return out[..., 0] if width == 1 else out
