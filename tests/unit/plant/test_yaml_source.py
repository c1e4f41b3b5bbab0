"""YAML files become plain values by the core schema of YAML 1.2.2, each with its place.

Sources: YAML Ain't Markup Language, version 1.2, revision 1.2.2: examples 10.9, 7.1 and 2.3 to 2.5;
table of section 10.3.2; character set of section 5.1. Where YAML 1.1 differs: the YAML 1.1 types
repository (yaml.org/type), bool, int, float, timestamp and merge.
"""

from __future__ import annotations

import itertools
import math
import stat
from pathlib import Path

import pytest

from collector.errors import ConfigurationError, Problem
from collector.plant.findings import Finding
from collector.plant.yaml_source import LARGEST_FILE, read_yaml
from collector.plant.yaml_tree import MOST_VALUES, Mark


def refusal(source: str | Path, name: str = "file.yaml") -> str:
    """The whole message with which a source is refused."""
    with pytest.raises(ConfigurationError) as refused:
        read_yaml(source, name)
    return str(refused.value)


def test_example_10_9_core_tag_resolution() -> None:
    """Example 10.9 of YAML 1.2.2 gives the types the specification lists beside it."""
    data = read_yaml(
        "A null: null\n"
        "Also a null: # Empty\n"
        'Not a null: ""\n'
        "Booleans: [ true, True, false, FALSE ]\n"
        "Integers: [ 0, 0o7, 0x3A, -19 ]\n"
        "Floats: [\n  0., -0.0, .5, +12e03, -2E+05 ]\n"
        "Also floats: [\n  .inf, -.Inf, +.INF, .NAN ]\n",
        "example",
    ).data
    assert data["A null"] is None
    assert data["Also a null"] is None
    assert data["Not a null"] == ""
    assert data["Booleans"] == [True, True, False, False]
    assert data["Integers"] == [0, 7, 58, -19]
    assert [type(number) for number in data["Integers"]] == [int] * 4
    assert data["Floats"] == [0.0, -0.0, 0.5, 12000.0, -200000.0]
    assert [type(number) for number in data["Floats"]] == [float] * 5
    assert data["Also floats"][:3] == [math.inf, -math.inf, math.inf]
    assert math.isnan(data["Also floats"][3])


@pytest.mark.parametrize(
    "word",
    [
        # YAML 1.1 bool
        "no", "No", "NO", "yes", "on", "Off", "y", "n",
        # YAML 1.1 int: base 60, base 2, digits grouped
        "12:30:45", "190:20:30", "0b101", "1_000", "0O7", "0xg",
        # YAML 1.1 float, timestamp, merge and value
        "1_0.5", "20:30.15", "2001-12-14", "2001-12-14t21:59:43.10-05:00", "=",
        # not in the table of YAML 1.2.2 section 10.3.2 either
        "tRUE", "nULL", "none", "+.nan", "-.NaN", "1e", "e3", ".", "+", "--1", "0x", "0o8", ".iNf",
    ],
)  # fmt: skip
def test_what_the_core_schema_does_not_list_is_text(word: str) -> None:
    """A plain word outside the table of section 10.3.2 is text, whatever YAML 1.1 makes of it."""
    assert read_yaml(f"key: {word}\n", "file").data == {"key": word}


@pytest.mark.parametrize(
    ("word", "value"),
    [
        ("010", 10),  # section 10.3.2: [-+]? [0-9]+ is base 10; YAML 1.1 read eight
        ("08", 8),
        ("+12", 12),
        ("0o10", 8),
        ("0xfF", 255),
        ("1e3", 1000.0),  # section 10.3.2 asks for no point; YAML 1.1 read text
        ("1.", 1.0),
        ("~", None),
        ("NULL", None),
        ("'no'", "no"),
        ('"010"', "010"),  # quoted scalars are text: section 10.3.2, "non-plain" resolve to str
        ("'~'", "~"),
    ],
)
def test_words_of_the_core_schema(word: str, value: object) -> None:
    """Plain words inside the table of section 10.3.2 have the type and value it gives them."""
    read = read_yaml(f"key: {word}\n", "file").data["key"]
    assert read == value
    assert type(read) is type(value)


def test_keys_follow_the_same_table() -> None:
    """A key is text or a whole number; ``no`` and a date as keys stay text."""
    assert read_yaml("no: 1\n2001-12-14: 2\n7: 3\n'7': 4\n", "file").data == {
        "no": 1,
        "2001-12-14": 2,
        7: 3,
        "7": 4,
    }


def test_an_alias_repeats_its_anchor() -> None:
    """Example 7.1: alias nodes have the content of their anchor, the latest one of that name."""
    assert read_yaml(
        "First occurrence: &anchor Foo\n"
        "Second occurrence: *anchor\n"
        "Override anchor: &anchor Bar\n"
        "Reuse anchor: *anchor\n",
        "example",
    ).data == {
        "First occurrence": "Foo",
        "Second occurrence": "Foo",
        "Override anchor": "Bar",
        "Reuse anchor": "Bar",
    }


def test_every_value_has_its_place() -> None:
    """Marks point at keys and values, lines and columns counted from one, letters not bytes."""
    tree = read_yaml("größe: {öl: 1}\nliste:\n  - a\n  -   b: x\n", "file.yaml")
    assert tree.marks[("größe", "öl")].key == Mark(1, 9)
    assert tree.marks[("größe", "öl")].value == Mark(1, 13)
    assert tree.marks[("liste", 1, "b")].key == Mark(4, 7)
    assert tree.marks[("liste", 0)].key is None
    assert tree.marks[("liste", 0)].value == Mark(3, 5)


def test_a_finding_without_a_place_stands_at_its_nearest_parent() -> None:
    """What is missing is told at the key of the block it is missing from; items count from one."""
    tree = read_yaml("a:\n  list:\n    - b: 1\n", "file.yaml")
    assert tree.problem(Finding(("a", "list", 0, "c"), "nothing", "a 'c'")) == Problem(
        "file.yaml", 3, 7, "a.list.1.c", "nothing", "a 'c'"
    )
    assert tree.problem(Finding(("a", "x"), "nothing", "an 'x'")).line == 1


def test_windows_line_ends_and_a_byte_order_mark_change_nothing(tmp_path: Path) -> None:
    """A file saved by another system reads the same, with the same lines (sections 5.2, 5.4)."""
    path = tmp_path / "file.yaml"
    path.write_bytes(b"\xef\xbb\xbfa: 1\r\nb:\r\n  c: no\r\n")
    tree = read_yaml(path)
    assert tree.data == {"a": 1, "b": {"c": "no"}}
    assert tree.marks[("b", "c")].key == Mark(3, 3)


@pytest.mark.parametrize(
    "text", ["", "\n\n", "# only a comment\n", "---\n", "---\n...\n", "\ufeff"]
)
def test_an_empty_file_is_refused(text: str) -> None:
    """A file without a value is a mistake, not an empty plant."""
    assert refusal(text) == "file.yaml: found an empty file, expected a YAML document"


ESCAPE = "printable text; in double quotes it can be written as an escape"
TWICE = "this key a second time"
ONCE = "each key once; the first is on line 1"


@pytest.mark.parametrize(
    ("text", "problems"),
    [
        ("a: x\x07y\n", [("1:5", "the character U+0007", ESCAPE)]),
        ("a: 1\nb: x\u2028y\n", [("2:5", "the character U+2028", ESCAPE)]),
        ("a: x\u0085y\n", [("1:5", "the character U+0085", ESCAPE)]),
        ("a: \ud800\n", [("1:4", "the character U+D800", ESCAPE)]),
        ("a: 1\n---\nb: 2\n", [("2:1", "a second document ('---')", "one document in a file")]),
        (
            "a: &x [1, *x]\n",
            [
                (
                    "1:11",
                    "the alias '*x' of no anchor finished before it",
                    "'&x' on an earlier value, or quotes",
                )
            ],
        ),
        ("[" * 41, [("1:41", "more than 40 levels within each other", "fewer levels")]),
        ("- " * 50_000, [("1:81", "more than 40 levels within each other", "fewer levels")]),
        ("[" * 50_000, [("1:1001", "brackets within brackets without end", "fewer of them")]),
        ("a: [\n", [("2:1", "the end of the file", "closing brackets")]),
        ("a: [1,\n", [("2:1", "the end of the file", "closing brackets")]),
        ("a: [1\n", [("1:4", "a bracket or quotes not closed", "the closing ones")]),
        ("a: 'x\n", [("1:4", "quotes that are not closed", "the closing ones")]),
        (
            "a: |+x\n  t\n",
            [("1:6", "text behind '|' or '>'", "the text on the lines below, indented")],
        ),
        ("%YAML 3.0\n---\na\n", [("1:1", "a '%YAML' line of another version", "none, or 1.2")]),
        ("a: 1\na: 2\nb: !x 3\n", [("2:1: a", TWICE, ONCE), ("3:4: b", "the tag '!x'", "no tags")]),
        ("1: a\n1: b\n", [("2:1: 1", TWICE, ONCE)]),
        (
            "a: 1\na: 2\nb: 'x\n",
            [
                ("2:1: a", TWICE, ONCE),
                ("3:4", "quotes that are not closed", "the closing ones"),
            ],
        ),
    ],
    ids=itertools.count(),
)
def test_what_is_no_single_plain_document_is_refused(
    text: str, problems: list[tuple[str, str, str]]
) -> None:
    """Each way a text fails to be one plain YAML document has its own sentence and place."""
    assert refusal(text).split("\n") == [
        f"file.yaml:{place}: found {found}, expected {expected}"
        for place, found, expected in problems
    ]


def test_aliases_cannot_multiply_without_end() -> None:
    """Nine levels of ten aliases each, a thousand million values, stop at the bound at once."""
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, 9)]
    assert refusal("\n".join(lines)) == (
        f"file.yaml: found aliases that repeat more than {MOST_VALUES} values or 40 levels, "
        "expected fewer aliases"
    )


def test_aliases_cannot_nest_without_end() -> None:
    """Aliases that build deeper than the bound are refused, though no line nests deeply."""
    lines = ["a0: &a0 [x]"] + [f"a{n}: &a{n} [[*a{n - 1}]]" for n in range(1, 30)]
    assert "or 40 levels, expected fewer aliases" in refusal("\n".join(lines))


def test_a_file_of_very_many_values_is_refused() -> None:
    """The bound on values holds without aliases too."""
    assert refusal("[" + "1," * (MOST_VALUES + 1) + "]") == (
        f"file.yaml:1:{2 * MOST_VALUES}: found more than {MOST_VALUES} values, "
        "expected a smaller file"
    )


def test_a_missing_file(tmp_path: Path) -> None:
    """A path that leads nowhere is named as it was given."""
    path = tmp_path / "absent.yaml"
    assert refusal(path, "absent.yaml") == (
        "absent.yaml: found no such file, expected the path of a readable file"
    )
    with pytest.raises(ConfigurationError, match=str(path)):
        read_yaml(path)


def test_a_directory(tmp_path: Path) -> None:
    """A directory is called one."""
    assert refusal(tmp_path, "plants") == "plants: found a directory, expected a file"


def test_a_path_through_a_file(tmp_path: Path) -> None:
    """A path the system refuses gives the system's reason."""
    (tmp_path / "file").write_text("a: 1\n")
    assert refusal(tmp_path / "file" / "plant.yaml", "file/plant.yaml") == (
        "file/plant.yaml: found 'Not a directory' on reading, expected the path of a readable file"
    )


def test_a_path_with_a_null_character() -> None:
    """A path no system has is refused as one."""
    assert refusal(Path("a\0b"), "a?b") == (
        "a?b: found 'a path the system refuses' on reading, expected the path of a readable file"
    )


def test_a_file_that_may_not_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file closed to this user says what is missing. (Raised here: root may read everything.)"""
    path = tmp_path / "closed.yaml"
    path.write_text("a: 1\n")
    path.chmod(stat.S_IWUSR)

    def closed(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", closed)
    assert refusal(path, "closed.yaml") == (
        "closed.yaml: found a file this user may not read, "
        "expected read permission (chmod, or the group)"
    )


def test_a_file_that_is_too_large(tmp_path: Path) -> None:
    """A file beyond the bound is not read to its end; one of exactly the bound is."""
    path = tmp_path / "large.yaml"
    path.write_bytes(b"a: 1\n" + b"#" * (LARGEST_FILE - 5))
    assert read_yaml(path).data == {"a": 1}
    path.write_bytes(b"a: 1\n" + b"#" * (LARGEST_FILE - 4))
    assert refusal(path, "large.yaml") == (
        "large.yaml: found more than 4 MiB, expected a file of at most 4 MiB"
    )


def test_a_file_in_another_encoding(tmp_path: Path) -> None:
    """Text of an old editor is refused at its first foreign byte, column counted in letters."""
    path = tmp_path / "latin.yaml"
    path.write_bytes("a: 1\nüb: ".encode() + "Mühle\n".encode("latin-1"))
    assert refusal(path, "latin.yaml") == (
        "latin.yaml:2:6: found the byte 0xFC, which is not UTF-8, expected a file saved as UTF-8"
    )
    path.write_bytes("a: 1\n".encode("utf-16"))
    assert refusal(path, "latin.yaml") == (
        "latin.yaml:1:1: found the byte 0xFF, which is not UTF-8, expected a file saved as UTF-8"
    )


def test_problems_can_be_collected_to_be_told_with_others() -> None:
    """With a list to put them in, problems that leave the file readable are not raised."""
    problems: list[Problem] = []
    tree = read_yaml("a: 1\na: 2\n", "file.yaml", problems)
    assert tree.data == {"a": 1}
    assert [problem.found for problem in problems] == ["this key a second time"]
