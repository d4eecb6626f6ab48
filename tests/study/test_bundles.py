"""Bundles and sizes: which offer stands, what it saves, which size most pairs share."""

import datetime

import pandas as pd
import pytest

from perfkit.study.bundles import Offer, Part, offers, take_offers
from perfkit.study.prices import ItemPrice
from perfkit.study.value_at import default_value_at

DAY, LATER = datetime.date(2026, 10, 1), datetime.date(2026, 10, 2)
A, B, C = ("a", "new"), ("b", "new"), ("c", "new")


def alone(**prices):
    nan = float("nan")
    return {
        (item, "new"): ItemPrice(nan if price is None else price, when, "shop", (), "")
        for item, (price, when) in prices.items()
    }


def offer(name, *, old=False, listing="shop", **prices):
    parts = {(item, "new"): Part(price, listing, None) for item, price in prices.items()}
    return Offer(name, DAY, old, parts)


def taken(pieces, prices, *standing):
    found = take_offers(pieces, prices, standing)
    return {thing[0]: (one.bundle, count) for thing, (one, count) in found.items()}


PRICES = alone(a=(60.0, DAY), b=(40.0, DAY), c=(10.0, DAY))
ONE_EACH = {A: 1, B: 1, C: 1}
KIT = {"a": ("kit", 1), "b": ("kit", 1)}


@pytest.mark.parametrize(
    ("prices", "made", "found"),
    [
        (PRICES, offer("kit", a=59.0, b=40.0), KIT),
        (PRICES, offer("kit", a=60.0, b=40.0), {}),
        (PRICES, offer("kit", a=61.0, b=40.0), {}),
        (PRICES, offer("kit", a=59.0, b=40.0, old=True), KIT),
        (PRICES, offer("kit", a=59.0, b=40.0, listing="asked"), {}),
        (alone(a=(60.0, LATER), b=(40.0, DAY)), offer("kit", a=59.0, b=40.0), KIT),
        (alone(a=(60.0, LATER), b=(40.0, DAY)), offer("kit", a=59.0, b=40.0, old=True), {}),
        (alone(a=(60.0, DAY), b=(None, None)), offer("kit", a=900.0, b=40.0), KIT),
        (alone(a=(60.0, DAY), b=(None, None)), offer("kit", a=9.0, b=4.0, listing="asked"), KIT),
        (alone(a=(None, None), b=(40.0, LATER)), offer("kit", a=9.0, b=4.0, old=True), KIT),
    ],
    ids=["saves 1", "saves nothing", "dearer", "old", "asked", "later price", "superseded",
         "no other price", "only asked", "old, no other"],
)  # fmt: skip
def test_when_a_bundle_is_bought(prices, made, found):
    assert taken({A: 1, B: 1}, prices, made) == found


def test_a_bundle_needs_all_of_its_items_and_covers_the_fewest_pieces():
    kit = offer("kit", a=1.0, b=1.0)
    assert taken({A: 1}, PRICES, kit) == {}
    assert taken({A: 3, B: 2, C: 1}, PRICES, kit) == {"a": ("kit", 2), "b": ("kit", 2)}


def test_of_bundles_that_share_an_item_the_one_that_saves_most_comes_first():
    # kit saves 10, duo 15 and shares a; pair saves 5 and shares nothing with duo.
    kit, duo = offer("kit", a=55.0, b=35.0), offer("duo", a=50.0, c=5.0)
    assert taken(ONE_EACH, PRICES, kit, duo) == {"a": ("duo", 1), "c": ("duo", 1)}
    pair = offer("pair", b=35.0)
    assert taken(ONE_EACH, PRICES, pair, kit, duo) == {
        "a": ("duo", 1), "c": ("duo", 1), "b": ("pair", 1),
    }  # fmt: skip
    # Of two that save as much, the first by name.
    same = offer("duet", a=55.0, b=35.0)
    assert taken(ONE_EACH, PRICES, kit, same)["a"] == ("duet", 1)


def rows(*lines):
    frame = pd.DataFrame(
        lines, columns=["bundle", "item", "date", "price", "listing", "rate_date"]
    ).assign(condition="new")
    return frame.assign(
        date=pd.to_datetime(frame["date"]), rate_date=pd.to_datetime(frame["rate_date"])
    )


def test_a_bundle_stands_as_of_its_latest_day_at_its_lowest_prices():
    made = rows(
        ("kit", "a", "2026-10-01", 1.0, "shop", None),
        ("kit", "a", "2026-10-02", 5.0, "sold", None),
        ("kit", "a", "2026-10-02", 4.0, "shop", "2026-09-30"),
        ("kit", "b", "2026-10-02", 7.0, "asked", None),
        ("", "b", "2026-10-31", 9.0, "shop", None),
        ("duo", "a", "2026-10-01", 2.0, "shop", None),
    )
    duo, kit = offers(made, datetime.date(2026, 11, 1))
    assert (duo.bundle, duo.date, duo.old, duo.asked) == ("duo", DAY, True, False)
    assert (kit.bundle, kit.date, kit.old, kit.asked) == ("kit", LATER, False, True)
    assert kit.parts == {
        A: Part(4.0, "shop", datetime.date(2026, 9, 30)), B: Part(7.0, "asked", None),
    }  # fmt: skip


def passes(*sizes, **changed):
    frame = pd.DataFrame(sizes, columns=["gpu", "workload", "width", "height"])
    fixed = {"system": "s", "render_scale": 1.0, "generated_per_drawn": 0.0, "outcome": "ran",
             "void_reason": ""}  # fmt: skip
    return frame.assign(**(fixed | changed))


NO_BUILDS = pd.DataFrame({"build": [], "system": [], "gpu": []}, dtype="str")
WIDE, TALL, SMALL = (1920, 1080), (1080, 1920), (1280, 720)


@pytest.mark.parametrize(
    ("rows", "size"),
    [
        ([("g", "v", *SMALL), ("g", "w", *SMALL), ("g", "v", *WIDE)], SMALL),
        ([("g", "v", *SMALL), ("g", "v", *SMALL), ("g", "v", *WIDE)], WIDE),
        ([("g", "v", *SMALL), ("h", "v", *SMALL), ("g", "v", *WIDE)], SMALL),
        ([("g", "v", *TALL), ("g", "v", *WIDE)], WIDE),
        ([("g", "v", *WIDE), ("g", "v", *TALL)], WIDE),
        ([("g", "v", 800, 600)], (800, 600)),
        ([("g", "v", 1440, 900), ("g", "v", 1280, 1024)], (1280, 1024)),
        ([], WIDE),
    ],
)
def test_the_size_of_most_pairs_then_of_most_pixels_then_the_wider(rows, size):
    assert default_value_at(passes(*rows), NO_BUILDS) == size


@pytest.mark.parametrize(
    "changed",
    [{"render_scale": 0.5}, {"generated_per_drawn": 1.0}, {"outcome": "crashed"},
     {"void_reason": "wrong preset"}],
    ids=lambda changed: next(iter(changed)),
)  # fmt: skip
def test_only_whole_passes_at_native_scale_say_the_size(changed):
    rows = passes(("g", "v", *SMALL), **changed)
    assert default_value_at(rows, NO_BUILDS) == WIDE


def test_where_builds_were_measured_only_their_pairs_count():
    rows = passes(("g", "v", *SMALL), ("h", "v", *WIDE), ("h", "w", *WIDE), ("", "v", 800, 600))
    builds = pd.DataFrame({"build": ["one", "two"], "system": ["s", "s"], "gpu": ["g", ""]})
    assert default_value_at(rows, builds) == SMALL
    assert default_value_at(rows, builds.assign(gpu="z")) == WIDE
