"""``weirkeeper curve`` shows what the solver says, within 80 columns, the same every time."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

from collector.cli.main import main
from collector.errors import ExitCode

CONFIG = Path(__file__).parents[3] / "config"
ONE_SUMP = str(CONFIG / "one-sump" / "plant.yaml")
OSIER_BEND = str(CONFIG / "osier-bend" / "plant.yaml")


def shown(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """What the command prints."""
    assert main(["curve", *arguments]) is ExitCode.DONE
    return capsys.readouterr().out


def refused(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """What the command says when it cannot."""
    with pytest.raises(SystemExit) as ended:
        main(["curve", *arguments])
    assert ended.value.code == ExitCode.USAGE
    return capsys.readouterr().err


def test_the_published_operating_points_are_shown(capsys: pytest.CaptureFixture[str]) -> None:
    """At level 0 the one sump's pumps lift 5 m: one 5.6015 L/s at 6.6650 m, both 8.4988 L/s at
    8.6732 m, within 0.5 %.

    Source: runs of the EPANET 2.2 engine.
    """
    data = json.loads(shown(capsys, "--plant", ONE_SUMP, "sump", "--level", "0", "--json"))
    assert data["lift_m"] == 5.0
    points = {"+".join(each["running"]): each for each in data["operating_points"]}
    assert list(points) == ["pump_1", "pump_2", "pump_1+pump_2"]
    assert points["pump_1"]["flow_l_per_s"] == pytest.approx(5.6015, rel=0.005)
    assert points["pump_1"]["head_m"] == pytest.approx(6.6650, rel=0.005)
    assert points["pump_1+pump_2"]["flow_l_per_s"] == pytest.approx(8.4988, rel=0.005)
    assert points["pump_1+pump_2"]["head_m"] == pytest.approx(8.6732, rel=0.005)
    text = shown(capsys, "--plant", ONE_SUMP, "sump", "--level", "0")
    assert "pump_1            5.601" in text
    assert "both together     8.498" in text


@pytest.mark.parametrize("well", ["collection", "equalization", "meadow_sump", "bowser_tank"])
def test_every_example_well_fits_the_screen(capsys: pytest.CaptureFixture[str], well: str) -> None:
    """Lines have at most 80 columns, the plot at most 24 rows, and the caution stands below."""
    lines = shown(capsys, "--plant", OSIER_BEND, well).splitlines()
    assert max(len(line) for line in lines) <= 80
    plot = lines[lines.index("head, m") : -3]
    assert len(plot) <= 24
    assert any("O" in line.partition("|")[2] for line in plot)
    assert "Isolate and lock out" in " ".join(lines[-2:])


def test_the_level_defaults_to_midway_between_stop_and_start(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The collection tank's pumps stop at 0.36 m and start at 0.95 m; the Lower Meadow sump has one
    float for both, from 0.40 to 0.80 m.
    """
    for well, level_m, ends in (
        ("collection", 0.655, [0.36, 0.95]),
        ("meadow_sump", 0.60, [0.40, 0.80]),
    ):
        data = json.loads(shown(capsys, "--plant", OSIER_BEND, well, "--json"))
        assert data["level_m"] == pytest.approx(level_m)
        for point in data["operating_points"]:
            assert [each["level_m"] for each in point["flow_at_levels_l_per_s"]] == ends
            low, high = (each["flow_l_per_s"] for each in point["flow_at_levels_l_per_s"])
            assert low < point["flow_l_per_s"] < high


def test_the_svg_is_one_and_the_same_every_time(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Two runs write the same bytes: well-formed SVG with the axes' names and no date."""
    for name in ("a.svg", "b.svg"):
        shown(capsys, "--plant", OSIER_BEND, "collection", "--svg", str(tmp_path / name))
    text = (tmp_path / "a.svg").read_text(encoding="utf-8")
    assert text == (tmp_path / "b.svg").read_text(encoding="utf-8")
    root = ElementTree.fromstring(text)  # noqa: S314  # made by this test, not fetched
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    words = "".join(root.itertext())
    for word in ("flow, L/s", "head, m", "Collection tank", "system", "both together"):
        assert word in words
    assert "dc:date" not in text


def test_a_pump_that_cannot_lift_is_told(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """A pump that lifts out of the full well only gives nothing at its floor, and it is said."""
    text = (CONFIG / "one-sump" / "plant.yaml").read_text(encoding="utf-8")
    plant = tmp_path / "plant.yaml"
    plant.write_text(
        text.replace("discharge_height_m: 5.0", "discharge_height_m: 12.5"), encoding="utf-8"
    )
    out = shown(capsys, "--plant", str(plant), "sump", "--level", "0")
    assert "pump_1 cannot lift so high: shut-off head 12.00 m" in out
    data = json.loads(shown(capsys, "--plant", str(plant), "sump", "--level", "0", "--json"))
    assert {point["flow_l_per_s"] for point in data["operating_points"]} == {0.0}
    assert {point["head_m"] for point in data["operating_points"]} == {None}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["bowser"], "there is no well 'bowser', did you mean 'bowser_tank'?"),
        (["mixer"], "there is no well 'mixer', there are collection, equalization, meadow_sump"),
        (["collection", "--level", "77"], "found '77', expected metres from 0 to 50"),
        (["collection", "--level", "full"], "found 'full', expected metres from 0 to 50"),
    ],
)
def test_what_cannot_be_shown_is_said_in_a_line(
    capsys: pytest.CaptureFixture[str], arguments: list[str], said: str
) -> None:
    """A wrong name or level gives one sentence with what would be right."""
    assert said in refused(capsys, "--plant", OSIER_BEND, *arguments)


def test_a_well_without_curves_is_no_station(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Where the file states no main, that is said, with the wells that have one."""
    lines = (CONFIG / "osier-bend" / "plant.yaml").read_text(encoding="utf-8").splitlines()
    kept = [line for line in lines if not line.startswith(("    main: {", "    curve: ["))]
    plant = tmp_path / "plant.yaml"
    plant.write_text("\n".join(kept), encoding="utf-8")
    said = refused(capsys, "--plant", str(plant), "collection")
    assert "states no main and pump curves of well 'collection'" in said


def test_a_picture_that_cannot_be_written_is_told(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """A folder that does not exist gives one sentence and the code of a wrong configuration."""
    path = tmp_path / "away" / "curve.svg"
    code = main(["curve", "--plant", ONE_SUMP, "sump", "--svg", str(path)])
    assert code is ExitCode.CONFIGURATION
    assert "a file that cannot be written (No such file or directory)" in capsys.readouterr().err
