"""YAML text into a tree with places: the 1.2 core schema, and everything that is refused."""

from __future__ import annotations

from decimal import Decimal

import pytest
import yaml

from runner.session import yaml_tree
from runner.session.marks import Marks, path_text, shorten
from runner.session.yaml_scalars import resolve
from runner.session.yaml_tree import decode, read_tree


def only_problem(text: str) -> str:
    """Return the one problem that a text gives."""
    problems = read_tree(text, "f").problems
    assert len(problems) == 1, problems
    return str(problems[0])


@pytest.mark.parametrize(
    ("text", "value"),
    [
        # YAML 1.2.2, 10.3.2 and its example of core tag resolution (from memory)
        ("null", None),
        ("", None),
        ("~", None),
        ("true", True),
        ("True", True),
        ("false", False),
        ("FALSE", False),
        ("0", 0),
        ("0o7", 7),
        ("0x3A", 58),
        ("-19", -19),
        ("0.", Decimal(0)),
        ("-0.0", Decimal(0)),
        (".5", Decimal("0.5")),
        ("+12e03", Decimal(12000)),
        ("-2E+05", Decimal(-200000)),
        # what YAML 1.1 takes for truth values, numbers and dates is text in 1.2
        ("yes", "yes"),
        ("No", "No"),
        ("on", "on"),
        ("off", "off"),
        ("y", "y"),
        ("17:3", "17:3"),
        ("190:20:30", "190:20:30"),
        ("1_000", "1_000"),
        ("0b1010", "0b1010"),
        ("2026-11-25", "2026-11-25"),
        ("-0x1", "-0x1"),
        ("017", 17),
        ("1e", "1e"),
        ("=", "="),
        ("+", "+"),
        ("1/2", "1/2"),
        ("tRUE", "tRUE"),
    ],
)
def test_core_schema(text: str, value: object) -> None:
    """An unquoted scalar is what the YAML 1.2 core schema says, and of that type."""
    got = resolve(text)
    assert got == value
    assert type(got) is type(value)


@pytest.mark.parametrize(
    "text", [".inf", "-.Inf", ".NaN", "9" * 19, "0x" + "f" * 40, "1e19", "1e-400", "1e999999999"]
)
def test_numbers_without_sense_are_refused(text: str) -> None:
    """Infinite, absurdly long and absurdly large numbers are errors, not values."""
    with pytest.raises(ValueError, match="number"):
        resolve(text)


def test_tree_gives_plain_values_and_places() -> None:
    """Values come as dicts, lists and scalars, and each knows where it stands."""
    tree = read_tree("a: 1\nb:\n  - x\n  - {c: 'on', d: [2.5]}\n", "f")
    assert tree.problems == []
    assert tree.root is not None
    assert tree.root.plain() == {"a": 1, "b": ["x", {"c": "on", "d": [Decimal("2.5")]}]}
    marks = Marks(tree.root, "f")
    assert marks.place(("a",)) == (1, 4)
    assert marks.place(("b", 1, "d", 0)) == (4, 19)
    assert marks.place(("b", 1, "c"), key=True) == (4, 6)
    assert marks.place(("b", 1, "nothing")) == (4, 5)
    assert marks.seen(("b", 1, "c")) == "'on'"


def test_problem_of_marks_names_everything() -> None:
    """A problem made from a path tells file, line, column, path, value and hint."""
    root = read_tree("songs:\n  - cues:\n      - at: 17\n").root
    assert root is not None
    problem = Marks(root, "quay.yaml").problem(
        ("songs", 0, "cues", 0, "at"), "must be a moment", "17", "write bar 17"
    )
    assert str(problem) == "quay.yaml:3:13: songs[0].cues[0].at: must be a moment, got 17 (write bar 17)"


def test_path_text_quotes_odd_keys() -> None:
    """A key that is not a plain word is quoted in a path."""
    assert path_text(("ports", "front left", "match")) == "ports.front left.match"
    assert path_text(("ports", "a.b", 3)) == 'ports."a.b"[3]'


def test_shorten_keeps_one_line() -> None:
    """Long or broken text is shown on one short line."""
    assert shorten("a\nb") == "a b"
    assert len(shorten("x" * 10_000)) == 60
    assert shorten("x" * 10_000).endswith("…")


def test_keys_are_text_as_written() -> None:
    """Keys that look like numbers or truth values stay text."""
    root = read_tree("36: 1\ntrue: 2\n1.50: 3\n").root
    assert root is not None
    assert list(root.plain()) == ["36", "true", "1.50"]  # type: ignore[arg-type]


def test_quoted_and_block_scalars_are_text() -> None:
    """Quotes and block styles make text of anything."""
    root = read_tree("a: '1'\nb: \"true\"\nc: |\n  1\nd: >-\n  null\n").root
    assert root is not None
    assert root.plain() == {"a": "1", "b": "true", "c": "1\n", "d": "null"}


def test_duplicate_keys_name_both_lines() -> None:
    """A key that stands twice is an error at the second place that names the first."""
    assert only_problem("a: 1\nb: 2\na: 3\n") == (
        "f:3:1: the key stands twice in one mapping, first at line 1, got a (keep one of them)"
    )


def test_an_alias_is_what_its_anchor_holds() -> None:
    """An alias gives the value of its anchor, with the anchor's place."""
    tree = read_tree("a: &x [1, 2]\nb: *x\n")
    assert tree.problems == []
    assert tree.root is not None
    assert tree.root.plain() == {"a": [1, 2], "b": [1, 2]}
    assert Marks(tree.root).place(("b", 1)) == (1, 11)


def test_aliases_count_what_they_stand_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Values are counted as often as aliases repeat them, exactly."""
    text = "a: &a [1, 2, 3]\nb: [*a, *a]\n"  # root 1, a 4, b 1, each alias 4
    monkeypatch.setattr(yaml_tree, "MAX_VALUES", 14)
    assert read_tree(text).problems == []
    monkeypatch.setattr(yaml_tree, "MAX_VALUES", 13)
    assert "stands for more than 13 values" in str(read_tree(text).problems[0])


def test_aliases_cannot_get_round_the_depth() -> None:
    """Depth is counted through aliases."""
    deep = "a: &a " + "[" * 20 + "1" + "]" * 20
    assert read_tree(deep).problems == []
    assert "nested more than 32 deep" in only_problem(deep + "\nb: " + "[" * 15 + "*a" + "]" * 15)


def test_depth_bound_is_exact() -> None:
    """32 levels are read, 33 are refused."""
    assert read_tree("[" * 31 + "1" + "]" * 31).problems == []
    assert "nested more than 32 deep" in only_problem("[" * 32 + "1" + "]" * 32)


def test_size_is_counted_in_bytes() -> None:
    """A file of more than 1 MiB is refused, also when only its UTF-8 form is that large."""
    assert "larger than 1024 KiB" in only_problem("x" * ((1 << 20) + 1))
    assert "larger than 1024 KiB" in only_problem("é" * (1 << 19) + "é")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a: 1\n\tb: 2\n", "f:2:1: a tab in the indentation (YAML is indented with spaces only)"),
        ("a:\n  b\x00c: 2\n", "f:2:4: a NUL byte does not belong into a session file (remove it)"),
        (
            "a: \x1b[0m\n",
            "f:1:4: the control character U+001B does not belong into a session file (remove it)",
        ),
        (
            "a: !!python/object:os.system x\n",
            "f:1:4: YAML tags are not used in sessions, got !!python/object:os.system",
        ),
        ("<<: {a: 1}\n", "f:1:1: merge keys are not part of YAML 1.2, got << (write the keys out)"),
        ("a: 1\n---\nb: 2\n", "f:2:1: a second YAML document, got --- (one session to a file)"),
        ("{[1]: 2}", "f:1:2: a key must be a plain word"),
        ("a: *b\n", "f:1:4: no anchor of this name stands before it, got *b"),
        ("a: &b [*b]\n", "f:1:8: a value refers to itself, got *b"),
        (
            "a: [1, 2\nb: 3\n",
            "f:2:2: not valid YAML: a comma or a ] is missing before this, got b: 3 "
            "(close the list: the [ is in line 1)",
        ),
        (
            "a: {b: 1\nc: {d: 2}\n",
            "f:2:2: not valid YAML: a comma or a } is missing before this, got c: {d: 2} "
            "(close the mapping: the { is in line 1)",
        ),
        (
            "a: 'x\n",
            "f:2:1: not valid YAML: the file ends inside quotes (close the quotes: the ' is in line 1)",
        ),
        (
            "a: @b\n",
            "f:1:4: not valid YAML: a character that cannot begin a value, got @b (put the value in quotes)",
        ),
    ],
)
def test_what_is_refused_is_said_with_its_place(text: str, words: str) -> None:
    """Each thing that a session file may not hold is named with line, column and remedy."""
    assert only_problem(text).startswith(words)


def test_lines_are_counted_as_editors_do() -> None:
    """Carriage returns, Unicode line separators and a byte order mark do not shift the line numbers."""
    text = "\ufeffa: 1\r\nb: 'x\u2028y\u0085z'\r\nc: *d\r\n"
    assert only_problem(text).startswith("f:3:4:")


def test_nothing_of_python_is_built() -> None:
    """A tag that would make PyYAML build objects is refused, and the value stays text."""
    tree = read_tree("a: !!python/name:os.system\n")
    assert tree.root is not None
    assert tree.root.plain() == {"a": ""}
    assert len(tree.problems) == 1


@pytest.mark.parametrize("loader", ["CSafeLoader", "SafeLoader"])
def test_both_parsers_of_pyyaml_give_the_same(loader: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The tree does not depend on whether PyYAML has its C parser."""
    monkeypatch.setattr(yaml_tree, "_Loader", getattr(yaml, loader))
    tree = read_tree("é: [1, on, 'x']\nb: {c: &a 2.50, d: *a}  # é\nc: |\n  text\n", "f")
    assert tree.problems == []
    assert tree.root is not None
    assert tree.root.plain() == {
        "é": [1, "on", "x"],
        "b": {"c": Decimal("2.50"), "d": Decimal("2.50")},
        "c": "text\n",
    }
    assert Marks(tree.root).place(("b", "c")) == (2, 8)
    assert Marks(tree.root).seen(("b", "d")) == "2.50"
    assert Marks(tree.root).seen(("é", 2)) == "'x'"
    assert str(read_tree("a: 1\n\tb: 2\n", "f").problems[0]).startswith("f:2:")


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"a: 1\nb: \xff\n", "f:2:4: not UTF-8 text, got byte FF (save the file as UTF-8)"),
        ("a: é".encode("latin-1"), "f:1:4: not UTF-8 text, got byte E9 (save the file as UTF-8)"),
        ("a: 1".encode("utf-16"), "f:1:1: the file is UTF-16 (save it as UTF-8)"),
    ],
)
def test_bytes_that_are_not_utf8_are_said_with_their_line(data: bytes, words: str) -> None:
    """A file in another encoding is refused with the place of the first wrong byte."""
    text, problems = decode(data, "f")
    assert text == ""
    assert [str(problem) for problem in problems] == [words]


def test_byte_order_mark_is_taken_off() -> None:
    """UTF-8 with a byte order mark reads like UTF-8 without."""
    assert decode(b"\xef\xbb\xbfa: \xc3\xa9") == ("a: é", [])
