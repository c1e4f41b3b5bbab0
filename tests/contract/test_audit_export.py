"""Exports of the audited record: read by others, verified alone, and no tampering unnoticed."""

from __future__ import annotations

import csv
import json
import random
import re
import stat
from collections.abc import Callable, Iterable
from hashlib import sha256
from html.parser import HTMLParser
from pathlib import Path

import pandas  # type: ignore[import-untyped]
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import load_pem_public_key

from collector.audit.chain import canonical
from collector.audit.exported import verify_lines
from collector.audit.keys import Verifier, open_signer, read_public_key
from collector.audit.verdict import Outcome
from collector.cli.main import main
from collector.core.records import Record, RecordKind
from collector.errors import ExitCode
from collector.journal import Journal, JournalReader
from tests.unit.audit.audited_sample import NASTY, write_sample
from tests.unit.reports.alarms_on_paper import DAY_US, HOUR_US, NOON_US

MUTATIONS = 1_200


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A journal of four days with signed heads; for reading only."""
    path = tmp_path_factory.mktemp("audited") / "weirkeeper.journal"
    write_sample(path, open_signer(path.with_name(path.name + ".key")))
    return path


@pytest.fixture(scope="module")
def key(journal: Path) -> Verifier:
    """Its public key."""
    return read_public_key(journal.with_name(journal.name + ".pub"))


def export(journal: Path, out: Path, *words: str) -> Path:
    """Write an export by the command."""
    line = ["alarms", "export", "--journal", str(journal), "--out", str(out), *words]
    assert main(line) is ExitCode.DONE
    return out


@pytest.fixture(scope="module")
def exported(journal: Path, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The whole record as JSON lines."""
    return export(journal, tmp_path_factory.mktemp("export") / "record.jsonl").read_bytes()


def lines(data: bytes) -> list[bytes]:
    """The lines of a file with their line feeds, as reading it gives them."""
    return [line + b"\n" for line in data.split(b"\n")[:-1]] + [
        rest for rest in [data.rpartition(b"\n")[2]] if rest
    ]


def test_an_export_verifies_and_says_what_it_covers(
    journal: Path, exported: bytes, key: Verifier
) -> None:
    """Header, entries byte for byte as in the journal, trailer; whole and signed to the last
    head."""
    first, *entries, last = lines(exported)
    header = json.loads(first)["header"]
    assert header["what"] == "audited record"
    assert header["plant"]
    assert header["time_zone"] == "Europe/London"
    assert header["public_key"] == key.pem
    assert header["configurations"]["plant"]
    assert header["from"] < header["to"]
    assert len(header["gaps"]) == 4
    assert header["cannot_know"]
    with JournalReader(journal) as reader:
        kept = reader.chain_entries(0, 999)
        assert header["journal"] == reader.journal_id
        assert header["chain_head"] == {"number": len(kept), "hash": kept[-1].hash.hex()}
    assert [
        f'{{"entry":{entry.body},"hash":"{entry.hash.hex()}"}}\n'.encode() for entry in kept
    ] == entries
    assert json.loads(last)["trailer"]["entries"] == len(entries)
    verdict = verify_lines(lines(exported), [key])
    assert (verdict.outcome, verdict.wrong) == (Outcome.WHOLE, "")
    assert (verdict.first, verdict.last) == (1, len(kept))
    assert verdict.signed_to == len(kept) - 1
    assert verdict.signed_day == "2026-07-04"


def test_it_can_be_verified_by_the_standards_alone(exported: bytes, key: Verifier) -> None:
    """A verifier written here from the description, with the libraries of RFC 8785, RFC 8032 and
    SHA-256, comes to the same."""
    public = load_pem_public_key(key.pem.encode())
    assert isinstance(public, Ed25519PublicKey)
    first, *entries, _ = (json.loads(line) for line in lines(exported))
    before, signed = bytes(32), 0
    for number, line in enumerate(entries, 1):
        entry = line["entry"]
        if entry["kind"] == "head":
            value = entry["value"]
            assert (value["number"], value["hash"]) == (number - 1, before.hex())
            covered = {"journal": first["header"]["journal"], "day": value["day"],
                       "number": value["number"], "hash": value["hash"]}  # fmt: skip
            public.verify(bytes.fromhex(value["signature"]), canonical(covered))
            signed += 1
        before = sha256(before + canonical(entry)).digest()
        assert before.hex() == line["hash"]
    assert signed == 4


# --- tampering ------------------------------------------------------------------------------------


def a_byte(data: bytes, rng: random.Random) -> bytes:
    place = rng.randrange(len(data))
    return data[:place] + bytes([data[place] ^ rng.randrange(1, 256)]) + data[place + 1 :]


def a_field(data: bytes, rng: random.Random) -> bytes:
    """Another value in a field of an entry, written as carefully as the record itself."""
    parts = lines(data)
    place = rng.randrange(1, len(parts) - 1)
    line = json.loads(parts[place])
    name = rng.choice(sorted(line["entry"]))
    old = line["entry"][name]
    line["entry"][name] = old + 1 if isinstance(old, int) else f"{old}x"
    parts[place] = canonical(line) + b"\n"
    return b"".join(parts)


def a_field_and_its_hash(data: bytes, rng: random.Random) -> bytes:
    """The same with the entry's own hash reckoned anew."""
    parts = lines(data)
    place = rng.randrange(1, len(parts) - 2)
    line = json.loads(parts[place])
    line["entry"]["reason"] += "x"
    before = json.loads(parts[place - 1]).get("hash", "00" * 32)
    line["hash"] = sha256(bytes.fromhex(before) + canonical(line["entry"])).hexdigest()
    parts[place] = canonical(line) + b"\n"
    return b"".join(parts)


def a_line_gone(data: bytes, rng: random.Random) -> bytes:
    parts = lines(data)
    del parts[rng.randrange(len(parts))]
    return b"".join(parts)


def a_line_more(data: bytes, rng: random.Random) -> bytes:
    parts = lines(data)
    parts.insert(rng.randrange(len(parts) + 1), rng.choice(parts))
    return b"".join(parts)


def two_lines_swapped(data: bytes, rng: random.Random) -> bytes:
    parts = lines(data)
    one, other = rng.sample(range(len(parts)), 2)
    parts[one], parts[other] = parts[other], parts[one]
    return b"".join(parts)


def bytes_gone(data: bytes, rng: random.Random) -> bytes:
    place = rng.randrange(len(data))
    return data[:place] + data[place + rng.randrange(1, 300) :]


def bytes_more(data: bytes, rng: random.Random) -> bytes:
    place = rng.randrange(len(data) + 1)
    return data[:place] + rng.choice([b" ", b"\n", b"\0", b"{}", b"0"]) + data[place:]


def the_end_gone(data: bytes, rng: random.Random) -> bytes:
    return data[: rng.randrange(len(data))]


MUTATE: tuple[Callable[[bytes, random.Random], bytes], ...] = (
    a_byte, a_field, a_field_and_its_hash, a_line_gone, a_line_more, two_lines_swapped, bytes_gone,
    bytes_more, the_end_gone,
)  # fmt: skip


@pytest.mark.parametrize("with_key", [True, False], ids=["with key", "without"])
def test_no_tampering_goes_unnoticed(exported: bytes, key: Verifier, with_key: bool) -> None:
    """600 seeded mutations each, by bytes, fields, lines and the end: all found, with or without
    the key; the untouched record is not reported, nor is it after every hundredth of them."""
    rng = random.Random(20_260_704 + with_key)
    keys = [key] if with_key else []
    unnoticed: list[str] = []
    for number in range(MUTATIONS // 2):
        mutate = MUTATE[number % len(MUTATE)]
        data = mutate(exported, rng)
        assert data != exported
        verdict = verify_lines(lines(data), keys)
        if verdict.outcome is Outcome.WHOLE or not verdict.wrong:
            unnoticed.append(f"{number} {mutate.__name__}")
        if number % 100 == 0:
            assert verify_lines(lines(exported), keys).outcome is Outcome.WHOLE
    assert unnoticed == []


def test_a_cut_off_record_is_told_from_a_tampered_one(exported: bytes, key: Verifier) -> None:
    """Whatever is missing at the end alone, at any place: cut off, and as much as is there is
    whole."""
    rng = random.Random(1)
    whole_lines = 0
    for _ in range(200):
        data = exported[: rng.randrange(len(exported))]
        verdict = verify_lines(lines(data), [key])
        assert verdict.outcome is Outcome.CUT_OFF, verdict.wrong
        assert verdict.last == max(0, data.count(b"\n") - 1)
        whole_lines += verdict.last
    assert whole_lines > 1_000


def reckoned_anew(parts: list[bytes]) -> list[bytes]:
    """A record with numbers, hashes and trailer made to fit what stands there, heads left as they
    were: what somebody can do who has the file and not the key."""
    made, before = [parts[0]], "00" * 32
    for number, part in enumerate(parts[1:-1], 1):
        entry = json.loads(part)["entry"]
        entry["number"] = number
        if entry["kind"] == "head":
            entry["value"] |= {"number": number - 1, "hash": before}
        body = canonical(entry)
        before = sha256(bytes.fromhex(before) + body).hexdigest()
        made.append(b'{"entry":' + body + b',"hash":"' + before.encode() + b'"}\n')
    trailer = {
        "entries": len(made) - 1, "last": len(made) - 1, "hash": before,
        "sha256": sha256(b"".join(made)).hexdigest(),
    }  # fmt: skip
    return [*made, canonical({"trailer": trailer}) + b"\n"]


def test_who_reckons_everything_anew_is_found_by_the_key(exported: bytes, key: Verifier) -> None:
    """An alarm is taken out and every hash made to fit: the chain alone cannot show it and says
    so; with the key the next head is the first bad entry."""
    parts = lines(exported)
    assert b"".join(reckoned_anew(parts)) == exported
    del parts[3]
    forged = reckoned_anew(parts)
    alone = verify_lines(forged)
    assert alone.outcome is Outcome.WHOLE
    assert any("without a public key" in note for note in alone.notes)
    verdict = verify_lines(forged, [key])
    heads = [n for n, part in enumerate(forged) if b'"kind":"head"' in part]
    assert (verdict.outcome, verdict.bad_number) == (Outcome.TAMPERED, heads[0])
    assert verdict.wrong == "the signature of the head of 2026-07-01 in the record is false"


def test_who_takes_the_heads_out_too_is_found(exported: bytes, key: Verifier) -> None:
    """Without heads, or with all of them unsigned, days of record prove nothing to who has the
    key."""
    parts = lines(exported)
    headless = [part for part in parts if b'"kind":"head"' not in part]
    verdict = verify_lines(reckoned_anew(headless), [key])
    assert verdict.outcome is Outcome.UNPROVEN
    unsigned = [re.sub(rb'"signature":"[0-9a-f]+"', b'"signature":null', part) for part in parts]
    verdict = verify_lines(reckoned_anew(unsigned), [key])
    assert verdict.outcome is Outcome.UNPROVEN
    last_head = max(n for n, part in enumerate(parts) if b'"kind":"head"' in part)
    parts[last_head] = unsigned[last_head]
    verdict = verify_lines(reckoned_anew(parts), [key])
    assert (verdict.outcome, verdict.bad_number) == (Outcome.TAMPERED, last_head)


def test_heads_kept_outside_are_witnesses(
    journal: Path, exported: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Even without a key, a head as the broker got it shows what was reckoned anew, by number."""
    heads = [json.loads(part)["entry"] for part in lines(exported) if b'"kind":"head"' in part]
    with JournalReader(journal) as reader:
        told = [{"head": entry["value"], "at": entry["utc"], "number": entry["sequence"],
                 "journal": reader.journal_id} for entry in heads]  # fmt: skip
    kept = tmp_path / "heads.json"
    kept.write_text("\n".join(json.dumps(one) for one in told))
    record = tmp_path / "record.jsonl"
    record.write_bytes(exported)
    words = ["verify", str(record), "--head", str(kept)]
    assert main(words) is ExitCode.DONE
    parts = lines(exported)
    del parts[3]
    record.write_bytes(b"".join(reckoned_anew(parts)))
    assert main(words) is ExitCode.ANSWER_IS_NO
    number = heads[0]["value"]["number"]
    said = " ".join(capsys.readouterr().out.split())
    assert f"first bad entry {number}: its hash is not that of the head of 2026-07-01" in said


# --- parts of the record, and other forms ---------------------------------------------------------


def test_a_period_is_exported_up_to_the_head_that_covers_it(
    journal: Path, key: Verifier, tmp_path: Path
) -> None:
    """The second day alone verifies, begins where it says, and all of the day is signed."""
    out = export(journal, tmp_path / "day.jsonl", "--from", "2026-07-02", "--to", "2026-07-02")
    assert stat.S_IMODE(out.stat().st_mode) == 0o600
    verdict = verify_lines(lines(out.read_bytes()), [key])
    assert verdict.outcome is Outcome.WHOLE, verdict.wrong
    entries = [json.loads(line)["entry"] for line in lines(out.read_bytes())[1:-1]]
    assert entries[0]["utc"] >= "2026-07-01T23:00:00"
    assert entries[-1]["kind"] == "head"
    assert entries[-1]["value"]["day"] == "2026-07-02"
    assert verdict.signed_to == verdict.last - 1
    assert f"entries 1 to {verdict.first - 1} are not part of this file" in verdict.notes


def test_csv_is_read_by_an_independent_reader(journal: Path, tmp_path: Path) -> None:
    """pandas reads every row with every column; what people wrote comes back as it was, an
    apostrophe before what a spreadsheet would run."""
    out = export(journal, tmp_path / "alarms.csv", "--format", "csv")
    assert stat.S_IMODE(out.stat().st_mode) == 0o600
    table = pandas.read_csv(out, dtype=str, keep_default_na=False, encoding="utf-8")
    alarms = table[table["row"] == "alarm"]
    assert len(alarms) == 16
    assert set(alarms["duration_s"]) == {"1200.000"}
    assert set(alarms["cause"]) == {"'" + NASTY, "missing"}
    assert list(table[table["row"] == "to complete"]["activation"]) == ["3", "7", "11", "15"]
    assert (table["row"] == "gap").sum() == 4
    said = " ".join(table[table["row"].isin(["covers", "cannot know"])]["text"])
    for word in ("period", "time zone: Europe/London", "hash of the last", "signed head",
                 "apostrophe", "between two scans"):  # fmt: skip
        assert word in said
    raw = out.read_bytes()
    assert raw.endswith(b"\r\n")
    with out.open(newline="", encoding="utf-8") as file:
        cells = [cell for row in csv.reader(file) for cell in row]
    assert not [cell for cell in cells if cell[:1] in tuple("=+-@\t\r")]


class Words(HTMLParser):
    """The text of a page, and its elements."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.text = ""
        self.elements: set[str] = set()
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: Iterable[tuple[str, str | None]]) -> None:
        self.elements.add(tag)

    def handle_data(self, data: str) -> None:
        self.text += data


def test_the_page_holds_the_same_and_escapes_it(journal: Path, tmp_path: Path) -> None:
    """The regulator's columns, what is missing, page numbers, and no element of anybody's text."""
    page = export(journal, tmp_path / "alarms.html", "--format", "html").read_text("utf-8")
    words = Words(page)
    assert {"b", "script"}.isdisjoint(words.elements)
    assert "<b>bold</b>" in words.text
    assert "counter(page)" in page
    for word in ("missing", "Europe/London", "hash of the last", "pump pulled and cleared"):
        assert word in words.text


def test_a_file_that_is_there_is_not_written_over(
    journal: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing of it is touched."""
    out = tmp_path / "mine"
    out.write_text("mine")
    line = ["alarms", "export", "--journal", str(journal), "--out", str(out)]
    with pytest.raises(SystemExit) as ended:
        main(line)
    assert ended.value.code == ExitCode.USAGE
    assert "is there already, expected a new file" in capsys.readouterr().err
    assert out.read_text() == "mine"


def test_an_export_names_the_files_in_force_in_its_time(tmp_path: Path) -> None:
    """A plant file that was changed later is none of that time; one changed within is told with
    the date of the change."""
    path = tmp_path / "journal"
    write_sample(path, None, 2)
    times_us = {"b" * 64: NOON_US + DAY_US + 20 * HOUR_US, "c" * 64: NOON_US + 3 * DAY_US}
    with Journal.open(path, wall_us=lambda: NOON_US) as journal:
        journal.submit([
            Record(RecordKind.CONFIGURATION, "plant", at_us, at_us, at_us, digest)
            for digest, at_us in times_us.items()
        ])  # fmt: skip
    words = ("--from", "2026-07-02", "--to", "2026-07-03")
    header = lines(export(path, tmp_path / "two.jsonl", *words).read_bytes())[0]
    told = json.loads(header)["header"]["configurations"]
    assert list(told) == ["plant", "plant from 2026-07-03T09:00:00+01:00"]
    assert told["plant"] not in times_us
    assert told["plant from 2026-07-03T09:00:00+01:00"] == "b" * 64
