"""The section ``page``: off unless there, on loopback unless protected, and what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.errors import ConfigurationError
from collector.settings import load_settings, variable_names

PROTECTED = "password_file: p, certificate_file: c, key_file: k"


@pytest.fixture(autouse=True)
def _nothing_set(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """No variable of this machine's own, and files in a folder of their own."""
    for name in variable_names():
        monkeypatch.delenv(name, raising=False)
    monkeypatch.chdir(tmp_path)


def written(text: str) -> Path:
    """A settings file."""
    path = Path("settings.yaml")
    path.write_text(text, encoding="utf-8")
    return path


def refused(text: str) -> list[str]:
    """The sentences with which a section is refused."""
    with pytest.raises(ConfigurationError) as caught:
        load_settings(written(text))
    return str(caught.value).splitlines()


def test_without_the_section_there_is_no_page() -> None:
    """Nothing listens that nobody asked for."""
    assert load_settings(None).page is None
    assert load_settings(written("log: {level: info}")).page is None


def test_an_empty_section_is_a_page_for_this_machine_alone() -> None:
    """Loopback; nobody else can come."""
    page = load_settings(written("page: {}")).page
    assert page is not None
    assert (page.host, page.own_machine_only, page.password_file) == ("127.0.0.1", True, None)


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.2", "'::1'", "localhost"])
def test_loopback_needs_no_protection(host: str) -> None:
    """RFC 1122, section 3.2.1.3 and RFC 4291, section 2.5.3: it never leaves the machine."""
    assert load_settings(written(f"page: {{host: {host}}}")).page is not None


@pytest.mark.parametrize("host", ["0.0.0.0", "'::'", "192.0.2.10", "gate.example.org"])  # noqa: S104
@pytest.mark.parametrize("half", ["", "password_file: p", "certificate_file: c, key_file: k"])
def test_what_others_can_reach_needs_a_password_and_tls(host: str, half: str) -> None:
    """A password alone would be read along the way; TLS alone lets everybody in."""
    (sentence,) = refused(f"page:\n  host: {host}\n" + half.replace(", ", "\n  ").join(["  ", ""]))
    assert sentence.startswith("settings.yaml:2:")
    assert f"found '{host.strip(chr(39))}', which others can reach, without both" in sentence
    assert "'unprotected: true'" in sentence


@pytest.mark.parametrize("more", [PROTECTED, "unprotected: true"])
def test_both_or_a_plain_word_let_it_go_out(more: str) -> None:
    """The word is for a network that keeps strangers out by itself."""
    page = load_settings(written(f"page: {{host: 192.0.2.10, {more}}}")).page
    assert page is not None
    assert not page.own_machine_only


@pytest.mark.parametrize(
    ("there", "missing"), [("certificate_file", "key_file"), ("key_file", "certificate_file")]
)
def test_a_certificate_and_its_key_belong_together(there: str, missing: str) -> None:
    """One alone is a slip."""
    (sentence,) = refused(f"page: {{{there}: x}}")
    assert sentence == (
        f"settings.yaml:1:8: page.{there}: found it without '{missing}', expected both or neither"
    )


def test_the_environment_is_held_to_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever file there is."""
    monkeypatch.setenv("WEIRKEEPER_PAGE__HOST", "192.0.2.10")
    (sentence,) = refused("page: {}")
    assert "page" in sentence
    assert "'192.0.2.10', which others can reach" in sentence


def test_a_misspelt_key_is_told_with_the_nearest() -> None:
    """As everywhere."""
    (sentence,) = refused("page: {pasword_file: x}")
    assert "did you mean 'password_file'?" in sentence
