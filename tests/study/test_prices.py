"""Prices: every number worked out by hand in the test that checks it."""

import datetime

import numpy as np
import pandas as pd
import pytest

import perfkit as pk
from perfkit.study.prices import build_lines, build_prices, counted_prices, item_price
from tests.study.make import FILES, write_study
from tests.study.test_refusals import problems_of

DAY = datetime.date
HEAD = "item,date,price,currency,condition,tax_pct,tax_included,listing,bundle\n"
BUILD = "build,item,quantity,condition,obtained\n"


def study_with(folder, prices, builds=BUILD + "One,A,,,\n", rates=FILES["rates.csv"]):
    return pk.load_study(
        write_study(
            folder,
            prices__csv=HEAD + prices,
            builds__csv=builds,
            rates__csv=rates,
            claims__csv=None,
        )
    )


def test_the_good_study_is_priced_by_hand(tmp_path):
    # Case: 50 EUR x 1.1 USD/EUR = 55 USD, bought on 1 October, 31 days before 1 November.
    study = pk.load_study(write_study(tmp_path))
    prices = build_prices(study)
    assert prices.columns.tolist() == [
        "build", "price", "currency", "price_date", "flags", "reason"
    ]  # fmt: skip
    assert prices["build"].tolist() == ["Plain", "Carded"]
    np.testing.assert_allclose(prices["price"], [155.0, 405.0], rtol=1e-12)
    assert prices["currency"].tolist() == ["USD", "USD"]
    assert prices["price_date"].tolist() == [pd.Timestamp("2026-10-01")] * 2
    assert prices["flags"].tolist() == [
        "Case: old 31 days", "Case: old 31 days; Brazier: lent, counted at its price"
    ]  # fmt: skip
    assert prices["reason"].tolist() == ["", ""]
    lines = build_lines(study)
    assert lines.index.tolist() == [2, 3, 4, 5, 6]
    np.testing.assert_allclose(lines["amount"], [100, 55, 100, 55, 250], rtol=1e-12)
    assert lines["listing"].tolist() == ["shop"] * 5


def test_the_latest_price_on_or_before_the_price_date_counts(tmp_path):
    rows = (
        "A,2026-10-03,7,,,,,,\nA,2026-11-01,8,,,,,,\nA,2026-11-02,1,,,,,,\nA,2026-10-31,9,,,,,,\n"
    )
    price = item_price(study_with(tmp_path, rows), "A")
    assert (price.price, price.date, price.flags, price.reason) == (8.0, DAY(2026, 11, 1), (), "")


@pytest.mark.parametrize(("day", "flags"), [("2026-10-02", ()), ("2026-10-01", ("old 31 days",))])
def test_a_price_more_than_30_days_old_is_flagged(tmp_path, day, flags):
    assert item_price(study_with(tmp_path, f"A,{day},7,,,,,,\n"), "A").flags == flags


def test_only_prices_of_the_condition_asked_for_count(tmp_path):
    study = study_with(tmp_path, "A,2026-10-20,70,,new,,,,\nA,2026-10-30,40,,used,,,,\n")
    assert item_price(study, "A").price == 70.0
    assert item_price(study, "A", "used").price == 40.0


def test_an_asked_price_counts_only_where_there_is_no_other_and_is_flagged(tmp_path):
    study = study_with(
        tmp_path,
        "A,2026-10-05,50,,used,,,sold,\nA,2026-10-30,90,,used,,,asked,\nA,2026-10-30,80,,new,,,asked,\n",
    )
    assert item_price(study, "A", "used").price == 50.0
    new = item_price(study, "A", "new")
    assert (new.price, new.listing, new.flags) == (80.0, "asked", ("asked only",))


@pytest.mark.parametrize("order", [(0, 1, 2, 3), (3, 2, 1, 0), (2, 0, 3, 1)])
def test_on_one_day_a_shop_goes_before_a_sale_and_that_before_no_listing(tmp_path, order):
    rows = [f"A,2026-10-05,{n},,,,,{listing},\n" for n, listing in
            ((4, "shop"), (3, "sold"), (2, ""), (1, "asked"))]  # fmt: skip
    for place, best in enumerate((4.0, 3.0, 2.0, 1.0)):
        some = "".join(rows[i] for i in order if i >= place)
        assert item_price(study_with(tmp_path / str(place), some), "A").price == best


@pytest.mark.parametrize(
    ("prices", "reason"),
    [
        ("B,2026-10-05,5,,,,,,\n", "no price is known"),
        ("A,2026-10-05,5,,used,,,,\n", "no new price is known, only used ones"),
        (
            "A,2026-12-05,5,,,,,,\nA,2026-11-02,5,,,,,,\n",
            "its first new price is of 2026-11-02, after 2026-11-01",
        ),
        (
            "A,2026-10-05,5,,,,,,kit\nB,2026-10-05,5,,,,,,kit\n",
            "it has a price only inside a bundle (kit) that this build does not buy whole",
        ),
    ],
)
def test_a_price_that_cannot_be_told_is_nan_with_the_reason(tmp_path, prices, reason):
    study = study_with(
        tmp_path, prices + "C,2026-10-05,1,,,,,,\n", BUILD + "One,A,,,lent\nOne,C,,,\n"
    )
    assert item_price(study, "A").reason == reason
    assert np.isnan(item_price(study, "A").price)
    (row,) = build_prices(study).to_dict("records")
    assert np.isnan(row["price"])
    assert row["reason"] == f"A: {reason}"
    assert row["price_date"] == pd.Timestamp("2026-10-05")
    lines = build_lines(study)
    assert lines["reason"].tolist() == [reason, ""]
    assert lines["amount"].isna().tolist() == [True, False]


def test_quantity_multiplies_and_a_gift_counts_nothing(tmp_path):
    builds = BUILD + "One,A,3,,bought\nOne,B,2,,given\nOne,Unpriced,1,,given\n"
    study = study_with(tmp_path, "A,2026-10-20,7.5,,,,,,\nB,2026-10-20,100,,,,,,\n", builds)
    (row,) = build_prices(study).to_dict("records")
    assert row["price"] == 22.5
    assert row["flags"] == "B: given, counts 0; Unpriced: given, counts 0"
    assert row["reason"] == ""
    assert build_lines(study)["price"].tolist() == [7.5, 0.0, 0.0]


# ---------------------------------------------------------------- currencies


@pytest.mark.parametrize(
    ("rates", "price", "flags"),
    [
        ("2026-10-30,EUR,USD,1.25\n", 125.0, ()),
        ("2026-10-30,USD,EUR,0.8\n", 125.0, ()),
        ("2026-10-30,EUR,USD,1.25\n2026-11-01,EUR,USD,1.5\n2026-11-02,EUR,USD,9\n", 150.0, ()),
        ("2026-10-30,EUR,USD,1.25\n2026-11-01,USD,EUR,0.5\n", 200.0, ()),
        ("2026-11-01,USD,EUR,0.5\n2026-11-01,EUR,USD,1.25\n", 125.0, ()),
        ("2026-09-01,EUR,USD,1.25\n", 125.0, ("exchange rate old 61 days",)),
    ],
    ids=["direct", "inverse", "latest", "later inverse", "same day", "old"],
)
def test_a_foreign_price_is_converted_by_the_latest_dated_rate(tmp_path, rates, price, flags):
    study = study_with(tmp_path, "A,2026-10-20,100,EUR,,,,,\n", rates="date,from,to,rate\n" + rates)
    told = item_price(study, "A")
    np.testing.assert_allclose(told.price, price, rtol=1e-12)
    assert told.flags == flags
    assert counted_prices(study)["currency"].tolist() == ["USD"]


@pytest.mark.parametrize(
    "rates", ["2026-11-02,EUR,USD,1.25\n", "2026-10-01,EUR,CHF,0.9\n2026-10-01,CHF,USD,1.1\n"]
)
def test_a_future_rate_or_a_chain_of_rates_converts_nothing(tmp_path, rates):
    (problem,) = problems_of(tmp_path, rates__csv="date,from,to,rate\n" + rates)
    assert problem[:4] == ("prices.csv", 4, "currency", "EUR")


def test_a_future_price_needs_no_rate(tmp_path):
    study = study_with(tmp_path, "A,2026-10-20,5,,,,,,\nA,2026-11-20,100,CHF,,,,,\n")
    assert item_price(study, "A").price == 5.0


def test_two_rates_for_one_day_and_a_currency_against_itself_are_refused(tmp_path):
    rates = "date,from,to,rate\n2026-10-30,EUR,USD,1.1\n2026-10-30,EUR,USD,1.2\n"
    rates += "2026-10-30,EUR,USD,1.1\n2026-10-30,USD,USD,1\n"
    assert [problem[:4] for problem in problems_of(tmp_path, rates__csv=rates)] == [
        ("rates.csv", 3, "rate", "1.2"),
        ("rates.csv", 5, "to", "USD"),
    ]


# ---------------------------------------------------------------- tax


def test_prices_without_tax_are_told_with_it_as_soon_as_one_has_it(tmp_path):
    # 100 + 21 % = 121; 121 holds its tax already.
    rows = "A,2026-10-20,100,,,21,no,,\nB,2026-10-20,121,,,21,yes,,\nC,2026-10-20,50,,,,yes,,\n"
    study = study_with(tmp_path, rows)
    np.testing.assert_allclose(counted_prices(study)["price"], [121.0, 121.0, 50.0], rtol=1e-12)


def test_prices_that_are_all_without_tax_stay_so(tmp_path):
    study = study_with(tmp_path, "A,2026-10-20,100,,,21,no,,\nB,2026-10-20,10,,,,no,,\n")
    assert counted_prices(study)["price"].tolist() == [100.0, 10.0]


def test_an_unknown_tax_basis_is_refused_only_beside_a_known_one(tmp_path):
    rows = HEAD + "A,2026-10-20,100,,,21,,,\nA,2026-10-21,100,,,,yes,,\nA,2026-10-22,1,,,,,,\n"
    found = problems_of(
        tmp_path, prices__csv=rows, builds__csv=BUILD + "One,A,,,\n", claims__csv=None
    )
    assert [problem[:5] for problem in found] == [
        ("prices.csv", line, "tax_included", "", "yes or no in every row, since other rows have it")
        for line in (2, 4)
    ]


def test_a_price_without_tax_beside_one_with_it_needs_its_percentage(tmp_path):
    rows = HEAD + "A,2026-10-20,100,,,,no,,\nA,2026-10-21,100,,,,yes,,\n"
    (problem,) = problems_of(
        tmp_path, prices__csv=rows, builds__csv=BUILD + "One,A,,,\n", claims__csv=None
    )
    assert problem[:4] == ("prices.csv", 2, "tax_pct", "")
    assert problem[4].startswith("a percentage where the price is without tax")


# ---------------------------------------------------------------- keys


@pytest.mark.parametrize("other", ["101,,,,,,", "100,EUR,,,,,", "100,,,5,,,"])
def test_one_key_with_two_prices_is_refused(tmp_path, other):
    rows = HEAD + f"A,2026-10-20,100,,,,,,\nA,2026-10-20,{other}\nA,2026-10-20,100,USD,new,,,,\n"
    (problem,) = problems_of(
        tmp_path, prices__csv=rows, builds__csv=BUILD + "One,A,,,\n", claims__csv=None
    )
    assert problem[:3] == ("prices.csv", 3, "price")
    assert problem[4] == "one price for item, date, condition, listing, bundle; line 2 has another"


def test_another_listing_condition_or_bundle_is_another_key(tmp_path):
    rows = "A,2026-10-20,1,,,,,shop,\nA,2026-10-20,2,,,,,sold,\nA,2026-10-20,3,,used,,,shop,\n"
    rows += "A,2026-10-20,4,,,,,shop,kit\n"
    assert len(study_with(tmp_path, rows).prices) == 4


# ---------------------------------------------------------------- bundles

KIT = "A,2026-10-20,40,,,,,shop,kit\nB,2026-10-20,30,,,,,shop,kit\n"
ALONE = "A,2026-10-20,50,,,,,shop,\nB,2026-10-20,35,,,,,shop,\n"
BOTH = BUILD + "One,A,,,\nOne,B,,,\n"


def lines_of(folder, prices, builds=BOTH):
    lines = build_lines(study_with(folder, prices, builds))
    return lines[["amount", "bundle", "flags", "reason"]].values.tolist()


def test_a_bundle_counts_in_a_build_that_buys_all_of_it(tmp_path):
    assert lines_of(tmp_path, KIT + ALONE) == [
        [40.0, "kit", "in bundle kit", ""],
        [30.0, "kit", "in bundle kit", ""],
    ]


def test_a_bundle_never_counts_in_a_build_that_lacks_an_item_of_it(tmp_path):
    assert lines_of(tmp_path, KIT + ALONE, BUILD + "One,A,,,\n") == [[50.0, "", "", ""]]


def test_a_given_item_completes_no_bundle(tmp_path):
    builds = BUILD + "One,A,,,\nOne,B,,,given\n"
    assert lines_of(tmp_path, KIT + ALONE, builds)[0] == [50.0, "", "", ""]


def test_a_lent_item_completes_a_bundle(tmp_path):
    builds = BUILD + "One,A,,,\nOne,B,,,lent\n"
    assert lines_of(tmp_path, KIT + ALONE, builds)[1][:2] == [30.0, "kit"]


def test_an_item_of_the_other_condition_completes_no_bundle(tmp_path):
    builds = BUILD + "One,A,,,\nOne,B,,used,\n"
    used = "B,2026-10-20,20,,used,,,,\n"
    assert [row[0] for row in lines_of(tmp_path, KIT + ALONE + used, builds)] == [50.0, 20.0]


def test_a_bundle_that_is_dearer_than_its_items_is_not_bought(tmp_path):
    dear = KIT.replace(",30,", ",46,")
    assert [row[0] for row in lines_of(tmp_path, dear + ALONE)] == [50.0, 35.0]


def test_a_dearer_bundle_is_bought_where_an_item_has_no_other_price(tmp_path):
    only = ALONE.splitlines(keepends=True)[0]
    dear = KIT.replace(",30,", ",300,")
    assert [row[0] for row in lines_of(tmp_path, dear + only)] == [40.0, 300.0]


@pytest.mark.parametrize(("day", "bought"), [("2026-10-02", "kit"), ("2026-10-01", "")])
def test_an_old_bundle_is_superseded_by_later_prices_of_its_items(tmp_path, day, bought):
    old = KIT.replace("2026-10-20", day)
    assert [row[1] for row in lines_of(tmp_path, old + ALONE)] == [bought, bought]


def test_an_old_bundle_without_later_prices_counts_and_is_flagged(tmp_path):
    rows = (KIT + ALONE).replace("2026-10-20", "2026-09-01")
    assert lines_of(tmp_path, rows)[0] == [40.0, "kit", "in bundle kit; old 61 days", ""]


def test_the_latest_day_of_a_bundle_stands(tmp_path):
    later = "A,2026-10-25,41,,,,,,kit\nB,2026-10-25,31,,,,,,kit\n"
    future = "A,2026-11-25,1,,,,,,kit\nB,2026-11-25,1,,,,,,kit\n"
    assert [row[0] for row in lines_of(tmp_path, KIT + later + future + ALONE)] == [41.0, 31.0]


def test_an_asked_bundle_is_bought_only_where_there_is_no_other_price(tmp_path):
    asked = KIT.replace("shop", "asked")
    assert [row[0] for row in lines_of(tmp_path / "a", asked + ALONE)] == [50.0, 35.0]
    assert lines_of(tmp_path / "b", asked)[0] == [40.0, "kit", "in bundle kit; asked only", ""]


def test_a_bundle_covers_one_piece_of_each_item_and_the_rest_is_priced_alone(tmp_path):
    # A: 1 x 40 in the bundle. B: 1 x 30 in the bundle + 2 x 35 alone = 100.
    builds = BUILD + "One,A,1,,\nOne,B,3,,\n"
    study = study_with(tmp_path, KIT + ALONE, builds)
    lines = build_lines(study)
    assert lines["amount"].tolist() == [40.0, 100.0]
    assert lines["bundle_amount"].tolist() == [40.0, 30.0]
    np.testing.assert_allclose(lines["price"], [40.0, 100 / 3], rtol=1e-12)
    assert build_prices(study)["price"].tolist() == [140.0]


def test_two_of_each_make_two_bundles(tmp_path):
    builds = BUILD + "One,A,2,,\nOne,B,2,,\n"
    assert [row[0] for row in lines_of(tmp_path, KIT + ALONE, builds)] == [80.0, 60.0]


def test_pieces_beyond_a_bundle_without_a_price_of_their_own_are_not_known(tmp_path):
    lines = lines_of(tmp_path, KIT, BUILD + "One,A,1,,\nOne,B,2,,\n")
    assert lines[0][0] == 40.0
    assert np.isnan(lines[1][0])
    assert lines[1][3].startswith("it has a price only inside a bundle (kit)")


def test_of_bundles_that_share_an_item_the_one_that_saves_most_is_bought(tmp_path):
    # kit saves 15; duo saves 20 and shares A, so B is bought alone.
    duo = "A,2026-10-20,35,,,,,shop,duo\nC,2026-10-20,5,,,,,shop,duo\nC,2026-10-20,10,,,,,shop,\n"
    builds = BOTH + "One,C,,,\n"
    lines = lines_of(tmp_path, KIT + duo + ALONE, builds)
    assert [row[:2] for row in lines] == [[35.0, "duo"], [35.0, ""], [5.0, "duo"]]


def test_a_bundle_in_another_currency_and_without_tax_is_converted(tmp_path):
    # 40 EUR x 1.1 x 1.2 = 52.8; 30 EUR x 1.1 x 1.2 = 39.6
    kit = KIT.replace(",40,,,,,", ",40,EUR,,20,no,").replace(",30,,,,,", ",30,EUR,,20,no,")
    alone = ALONE.replace(",50,,,,,", ",90,,,,yes,").replace(",35,,,,,", ",90,,,,yes,")
    amounts = [row[0] for row in lines_of(tmp_path, kit + alone)]
    np.testing.assert_allclose(amounts, [52.8, 39.6], rtol=1e-12)


# ---------------------------------------------------------------- invariances


def test_the_order_of_rows_changes_no_price(tmp_path):
    rows = (KIT + ALONE + "A,2026-10-05,1,,,,,,\nB,2026-10-19,9,EUR,,,,sold,\n").splitlines(True)
    one = build_prices(study_with(tmp_path / "a", "".join(rows), BOTH))
    two = build_prices(study_with(tmp_path / "b", "".join(reversed(rows)), BOTH))
    pd.testing.assert_frame_equal(one, two)


def test_an_irrelevant_build_changes_no_other(tmp_path):
    one = build_prices(study_with(tmp_path / "a", KIT + ALONE, BOTH))
    more = build_prices(study_with(tmp_path / "b", KIT + ALONE, BOTH + "Two,A,,,\n"))
    pd.testing.assert_frame_equal(one, more.iloc[:1])


def test_a_study_without_builds_has_no_prices_to_tell(tmp_path):
    study = pk.load_study(write_study(tmp_path, builds__csv=None, claims__csv=None))
    assert len(build_prices(study)) == 0
    assert len(build_lines(study)) == 0
    assert build_lines(study)["price"].dtype == "float64"
