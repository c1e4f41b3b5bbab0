#!/usr/bin/env bash
# The simulated plant and the collector on embedded defaults: a month of its past, the record of it,
# then live with a page. Options are those of "weirkeeper demo": --for SECONDS ends by itself,
# --history 0 begins at once, --days DAYS compares virtual days with the truth.
set -euo pipefail
. "$(dirname "${BASH_SOURCE[0]}")/setup.sh"
setup_environment run
exec "$project/.venv/bin/weirkeeper" demo "$@"
