#!/usr/bin/env bash
# Makes .venv beside the project and installs the pinned packages into it; does nothing when they
# are there already. Sourced by the other scripts: setup_environment WHICH (run or test).
set -euo pipefail

project=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)

say() { printf '%s\n' "$*" >&2; }

as_root() {
    if [ "$(id -u)" = 0 ]; then
        "$@"
    elif command -v sudo >/dev/null 2>&1 && sudo -n true 2>/dev/null; then
        sudo "$@"
    else
        return 1
    fi
}

# install_packages PACKAGE ...: Debian packages that are not installed yet.
install_packages() {
    local missing=()
    for package in "$@"; do
        dpkg-query -W -f '${Status}' "$package" 2>/dev/null | grep -q 'ok installed' || missing+=("$package")
    done
    [ ${#missing[@]} = 0 ] && return 0
    say "installing ${missing[*]}"
    if ! as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends \
            "${missing[@]}" >/dev/null 2>&1; then
        as_root apt-get update -qq >/dev/null 2>&1 || true
        as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends \
            "${missing[@]}" >/dev/null 2>&1 ||
            { say "please install: apt-get install ${missing[*]}"; return 1; }
    fi
}

find_python() {
    local candidate
    for candidate in python3 python3.13 python3.12 python3.11; do
        if command -v "$candidate" >/dev/null 2>&1 &&
            "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            command -v "$candidate"
            return 0
        fi
    done
    return 1
}

# pip_install OPTION ...: quiet, but shows everything when it fails.
pip_install() {
    local told
    told=$("$project/.venv/bin/python" -m pip install --quiet --disable-pip-version-check "$@" 2>&1) ||
        { say "$told"; say "the Python packages could not be installed"; return 1; }
}

setup_environment() {
    local requirements="$project/deploy/requirements-$1.txt" python
    local stamp="$project/.venv/installed-$1"
    if ! python=$(find_python); then
        install_packages python3 python3-venv || return 1
        python=$(find_python) || { say "Python 3.11 or newer is needed"; return 1; }
    fi
    if ! "$python" -c 'import ensurepip, venv' 2>/dev/null; then
        install_packages python3-venv || return 1
    fi
    if ! cmp -s "$requirements" "$stamp"; then
        say "setting up Python packages in .venv (once)"
        [ -x "$project/.venv/bin/python" ] || "$python" -m venv "$project/.venv"
        # Wheels only, so that nothing is compiled; julian has none and is built by the pinned tools.
        pip_install --require-hashes --only-binary :all: -r "$project/deploy/requirements-build.txt" &&
            pip_install --require-hashes --only-binary :all: --no-binary julian \
                --no-build-isolation -r "$requirements" || return 1
        pip_install --no-deps --no-build-isolation --editable "$project" || return 1
        cp "$requirements" "$stamp"
    fi
}
