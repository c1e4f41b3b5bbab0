#!/usr/bin/env bash
# Lint, types and all tests, with the real peers they need. Arguments go to pytest.
set -euo pipefail
. "$(dirname "${BASH_SOURCE[0]}")/../deploy/setup.sh"
cd "$project"
install_packages mosquitto mosquitto-clients victoria-metrics mbpoll libmodbus-dev gcc libc6-dev \
    pkg-config systemd docker-compose chromium libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0
setup_environment test
.venv/bin/ruff check .
.venv/bin/ruff format --check --quiet .
.venv/bin/mypy
# Two workers; the tests of a file stay together, since they share what is costly to make.
exec .venv/bin/python -m pytest --numprocesses 2 --dist loadfile "$@"
