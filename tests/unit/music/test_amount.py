"""Amounts as people write them."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.music.amount import MAX_DIGITS, amount_text, parse_amount


@pytest.mark.parametrize(
    ("text", "amount"),
    [
        ("3", Fraction(3)),
        ("0", Fraction(0)),
        ("2.5", Fraction(5, 2)),
        (".5", Fraction(1, 2)),
        ("4.", Fraction(4)),
        ("1/2", Fraction(1, 2)),
        ("1 / 3", Fraction(1, 3)),
        ("1 1/3", Fraction(4, 3)),
        (" 0.1 ", Fraction(1, 10)),
        ("123456789012", Fraction(123456789012)),
    ],
)
def test_reads_amounts_exactly(text: str, amount: Fraction) -> None:
    """Whole numbers, decimals, fractions and mixed numbers are read without any rounding."""
    assert parse_amount(text) == amount


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("1/0", "divides by zero"),
        ("1234567890123", "more than 12 digits"),
        ("1/1000000000000", "more than 12 digits"),
        ("9" * 100_000, "more than 12 digits"),
        ("1,5", "decimal comma, write '1.5'"),
        ("1e5", "is not a number"),
        ("", "is not a number"),
        (".", "is not a number"),
        ("-1", "is not a number"),
        ("1 2", "is not a number"),
        ("1_000", "is not a number"),
        ("٣", "is not a number"),
        ("½", "is not a number"),
        ("nan", "is not a number"),
    ],
)
def test_refuses_what_is_no_amount(text: str, words: str) -> None:
    """What is not an amount is refused with the reason, in a short message."""
    with pytest.raises(ValueError, match=words) as caught:
        parse_amount(text)
    assert len(str(caught.value)) < 200


@pytest.mark.parametrize(
    ("amount", "text"),
    [
        (Fraction(3), "3"),
        (Fraction(5, 2), "2.5"),
        (Fraction(1, 8), "0.125"),
        (Fraction(1, 3), "1/3"),
        (Fraction(4, 3), "1 1/3"),
        (Fraction(65, 64), "1 1/64"),
        (Fraction(999_998, 500_001), "999998/500001"),
        (Fraction(1, 10**11), "0.00000000001"),
        (4 + Fraction(10**18 - 1, 10**18), "4.999999"),
    ],
)
def test_writes_the_shortest_plain_form(amount: Fraction, text: str) -> None:
    """Three exact places are written as decimals, other numbers as mixed ones; computed ones are cut."""
    assert amount_text(amount) == text


def test_refuses_to_write_a_negative_amount() -> None:
    """A sign belongs to a span, not to an amount."""
    with pytest.raises(ValueError, match="negative"):
        amount_text(Fraction(-1, 2))


_whole = st.integers(0, 10**MAX_DIGITS - 1).map(str)
_decimal = st.tuples(st.integers(0, 10**6 - 1), st.integers(0, 10**6 - 1), st.integers(1, 6)).map(
    lambda parts: f"{parts[0]}.{str(parts[1])[: parts[2]]}"
)
_fraction = st.tuples(st.integers(0, 10**6 - 1), st.integers(1, 10**6 - 1)).map(
    lambda parts: f"{parts[0]}/{parts[1]}"
)
_mixed = st.tuples(st.integers(0, 9999), st.integers(0, 9999), st.integers(1, 9999)).map(
    lambda parts: f"{parts[0]} {parts[1]}/{parts[2]}"
)


@given(_whole | _decimal | _fraction | _mixed)
def test_all_that_was_read_is_written_so_that_it_reads_the_same(text: str) -> None:
    """Any amount that a person could write survives writing and reading exactly."""
    amount = parse_amount(text)
    assert parse_amount(amount_text(amount)) == amount


@given(st.fractions(min_value=0, max_value=10**5))
def test_computed_amounts_stay_readable_and_never_grow(amount: Fraction) -> None:
    """Any amount at all is written readably, at most a millionth below itself and never above."""
    seen = parse_amount(amount_text(amount))
    assert amount - Fraction(1, 10**6) < seen <= amount
