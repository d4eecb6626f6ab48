"""A short fuzz: every kept seed, and each of them damaged in ways drawn from a stated seed."""

import random
from pathlib import Path

import pytest

from tests.trust.fuzz import SEED, SEEDS
from tests.trust.readers import READERS, first_seeds

TURNS = {"settings": 1200, "text": 1200, "table": 150, "log": 300, "parquet": 400}
SIGNS = b"\0\t\n\r \"',-.0159:;=[]aenx\x7f\x80\xc3\xff"


def seeds(reader: str) -> list[bytes]:
    """Good files, near misses, and what the fuzzer found to reach further code."""
    kept = sorted((SEEDS / reader).glob("*")) if (SEEDS / reader).is_dir() else []
    return [*first_seeds(reader), *(path.read_bytes() for path in kept)]


def damaged(data: bytes, others: list[bytes], draws: random.Random) -> bytes:
    """Flip, put in, take out, double or splice some bytes."""
    made = bytearray(data)
    for _ in range(draws.choice((1, 1, 2, 5))):
        place = draws.randrange(len(made) + 1)
        width = draws.choice((1, 1, 2, 8, 40))
        match draws.randrange(6):
            case 0 if place < len(made):
                made[place] ^= 1 << draws.randrange(8)
            case 1:
                made[place:place] = bytes(draws.choices(SIGNS, k=width))
            case 2:
                del made[place : place + width]
            case 3:
                made[place:place] = made[place : place + width] * 3
            case 4:
                other = draws.choice(others)
                start = draws.randrange(len(other) + 1)
                made[place : place + width] = other[start : start + width]
            case _:
                made[place : place + width] = draws.randbytes(width)
    return bytes(made)


@pytest.mark.parametrize("reader", READERS)
def test_every_kept_seed_is_read_or_told(reader: str, tmp_path: Path) -> None:
    found = seeds(reader)
    for data in found:
        READERS[reader](data, tmp_path)
    assert len(found) >= 3


@pytest.mark.parametrize("reader", READERS)
def test_damaged_files_are_read_or_told(reader: str, tmp_path: Path) -> None:
    draws = random.Random(SEED)
    good = seeds(reader)
    tried = set()
    for _ in range(TURNS[reader]):
        tried.add(damaged(draws.choice(good), good, draws))
    for data in sorted(tried):
        READERS[reader](data, tmp_path)
    assert len(tried) > TURNS[reader] / 2
