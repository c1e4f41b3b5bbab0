"""Plant, rule, service and settings files after careless editing: problems in sentences, or none.

Whatever a file holds, reading it ends with what it says or with every problem by place; never with
another error, and never with a message of more than a screen for a line.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from random import Random

from collector.errors import ConfigurationError
from collector.plant.load import parse_plant
from collector.rulebook.load import parse_rules
from collector.settings import load_settings
from tests.fuzz.mutation import damaged_text

ROOT = Path(__file__).parents[2]
LONGEST_SENTENCE = 2_000

SETTINGS = """\
journal: {path: /var/lib/weirkeeper/osier_bend.journal, size_limit_mib: 2048}
mqtt: {host: broker.example.org, port: 8883, tls: true, user: osier_bend}
store: {url: "https://store.example.org", bucket: weirkeeper}
backup: {directory: /var/backups/weirkeeper, keep: 7}
log: {format: auto, level: info}
"""


def file_cases(rng: Random, count: int, folder: Path) -> dict[str, int]:
    """Read so many damaged files; how many of each kind were still good."""
    plant_text = (ROOT / "config/one-sump/plant.yaml").read_text()
    plant = parse_plant(plant_text, "plant.yaml")
    rules = {path.name: path.read_text() for path in sorted((ROOT / "rules").glob("*.yaml"))}
    settings = folder / "settings.yaml"

    def read_settings(text: str) -> object:
        settings.write_text(text, encoding="utf-8", errors="surrogatepass")
        return load_settings(settings)

    def read_rules(text: str) -> object:
        return parse_rules([("rules.yaml", text)], plant)

    kinds: tuple[tuple[str, Callable[[], str], Callable[[str], object]], ...] = (
        ("plant", lambda: plant_text, lambda text: parse_plant(text, "plant.yaml")),
        ("rules", lambda: rules[rng.choice(sorted(rules))], read_rules),
        ("settings", lambda: SETTINGS, read_settings),
    )
    good = dict.fromkeys([name for name, _, _ in kinds], 0)
    for number in range(count):
        name, whole, read = kinds[number % len(kinds)]
        text = damaged_text(whole(), rng)
        try:
            read(text)
            good[name] += 1
        except ConfigurationError as refused:
            for problem in refused.problems:
                assert len(str(problem)) <= LONGEST_SENTENCE, (name, text)
        except Exception as error:
            raise AssertionError(f"a {name} file ended in {error!r}:\n{text}") from error
    return good
