#!/usr/bin/env bash
# Runs the simulated plant and the collector on embedded defaults. Options are those of
# "weirkeeper demo": --for SECONDS ends by itself, --days DAYS runs in virtual time.
set -euo pipefail
. "$(dirname "${BASH_SOURCE[0]}")/setup.sh"
setup_environment run
exec "$project/.venv/bin/weirkeeper" demo "$@"
