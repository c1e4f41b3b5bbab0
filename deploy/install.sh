#!/usr/bin/env bash
# Installs this checkout on the machine it stands on, upgrades what is there, or goes back.
#
#   sudo deploy/install.sh              install, or upgrade and start the collectors anew
#   sudo deploy/install.sh --back       go back to the version before
#   deploy/install.sh --root DIR        the same below DIR, for an image; starts and creates nothing
#
# Versions stand side by side in /opt/weirkeeper; /opt/weirkeeper/current points to the one in
# force. Everything is fetched and tried before anything in force is touched, a copy of every journal
# is made first, and a version that does not come up is taken back. Journals, plant files, settings
# and keys are never changed. Packages are kept as long as their pins stay, so that most upgrades
# fetch nothing over a mobile link.
set -euo pipefail
umask 022
. "$(dirname "${BASH_SOURCE[0]}")/setup.sh"

root="" back=no
while [ $# -gt 0 ]; do
    case "$1" in
        --root) root=${2:?"--root needs a directory"}; shift 2 ;;
        --back) back=yes; shift ;;
        *) say "there is no option '$1'; there are --root DIR and --back"; exit 2 ;;
    esac
done
if [ -z "$root" ] && [ "$(id -u)" != 0 ]; then
    say "it has to run as root, or with --root DIR"
    exit 2
fi

home=$root/opt/weirkeeper
sites=$root/etc/weirkeeper
journals=$root/var/lib/weirkeeper

# managed: whether the collectors are to be started and stopped here.
managed() { [ -z "$root" ] && [ -d /run/systemd/system ]; }

collectors() { systemctl list-units --plain --no-legend --state=active 'weirkeeper@*' | cut -d' ' -f1; }

# point_to DIRECTORY: puts a version in force, in one step that a power cut cannot halve.
point_to() {
    ln -s "$1" "$home/current.next"
    mv -T "$home/current.next" "$home/current"
}

restart_all() {
    local unit failed=0
    for unit in "$@"; do
        # Type=notify: this returns when the collector polls and its journal is open.
        systemctl restart "$unit" || { say "$unit did not start"; failed=1; }
    done
    return $failed
}

go_back() {
    local before
    [ -L "$home/before" ] || { say "there is no version before"; exit 1; }
    before=$(readlink "$home/before")
    local now
    now=$(readlink "$home/current")
    point_to "$before"
    ln -sfn "$now" "$home/before"
    say "in force: $before (before: $now)"
    if managed; then
        local units
        mapfile -t units < <(collectors)
        restart_all "${units[@]}" || {
            say "a journal that the newer version has brought to its layout is refused by the older:"
            say "the copy from before the upgrade is in $journals/PLANT/before-upgrade,"
            say "'weirkeeper restore' puts it in place and keeps the present one"
            exit 1
        }
    fi
}

# build VERSION: a version and its packages. Versions with the same pins share theirs, so that most
# upgrades fetch nothing; both are complete or not there at all.
build() {
    local made=$home/versions/$1.making pins packages
    rm -rf "$made"
    mkdir -p "$made"
    (cd "$project" && cp -R collector simulator rules config deploy README.md DEVELOPERS.md \
        CHANGELOG.md LICENSE pyproject.toml "$made/")
    find "$made" -name __pycache__ -prune -exec rm -rf {} +
    pins=$(cat "$project"/deploy/requirements-{build,run}.txt | sha256sum | cut -c1-16)
    packages=$home/packages/$pins
    [ -d "$packages" ] || build_packages "$packages"
    ln -s "../../packages/$pins" "$made/.venv"
    cat >"$made/weirkeeper" <<'LAUNCHER'
#!/bin/sh
here=$(dirname "$(readlink -f "$0")")
PYTHONPATH=$here exec "$here/.venv/bin/python" -P -m collector "$@"
LAUNCHER
    chmod 0755 "$made/weirkeeper"
    "$packages/bin/python" -m compileall -q "$made/collector" "$made/simulator"
    mv -T "$made" "$home/versions/$1"
}

# build_packages DIRECTORY: everything pinned, with its hashes, fetched before any of it is installed.
build_packages() {
    local python made=$1.making list
    python=$(find_python) || { say "Python 3.11 or newer is needed"; exit 1; }
    rm -rf "$made"
    mkdir -p "$home/packages"
    "$python" -m venv "$made"
    for list in build run; do
        "$made/bin/python" -m pip --quiet --disable-pip-version-check install \
            --require-hashes --only-binary :all: -r "$project/deploy/requirements-$list.txt"
    done
    mv -T "$made" "$1"
}

# try_files VERSION: every plant on this machine must be understood by the version to come.
try_files() {
    local site failed=0
    for site in "$sites"/*/; do
        [ -f "$site/plant.yaml" ] || continue
        "$home/versions/$1/weirkeeper" check "${site}plant.yaml" >/dev/null ||
            { say "the new version refuses ${site}plant.yaml; nothing was changed"; failed=1; }
    done
    return $failed
}

# copy_journals: one copy of each journal from before the upgrade, made while it is written.
copy_journals() {
    local journal
    for journal in "$journals"/*/weirkeeper.journal; do
        [ -f "$journal" ] || continue
        PYTHONPATH=$home/current "$home/current/.venv/bin/python" -P - "$journal" <<'PYTHON'
import os, sys
from pathlib import Path

from collector.journal.backup import back_up

journal = Path(sys.argv[1])
copy = back_up(journal, journal.parent / "before-upgrade", "before-upgrade", keep=1)
for made in (copy.parent, copy):
    os.chown(made, journal.stat().st_uid, journal.stat().st_gid)
PYTHON
    done
}

settle_in() {
    mkdir -p "$home/versions" "$sites" "$journals"
    if [ -z "$root" ]; then
        getent passwd weirkeeper >/dev/null ||
            useradd --system --home-dir /var/lib/weirkeeper --shell /usr/sbin/nologin weirkeeper
        chown root:weirkeeper "$sites"
        chown weirkeeper:weirkeeper "$journals"
    fi
    chmod 0750 "$sites" "$journals"
}

if [ "$back" = yes ]; then
    go_back
    exit 0
fi
version=$(date -u +%Y%m%dT%H%M%SZ)
settle_in
say "making version $version in $home"
build "$version"
try_files "$version" || { rm -rf "$home/versions/$version"; exit 1; }
if [ -L "$home/current" ]; then
    copy_journals
    ln -sfn "$(readlink "$home/current")" "$home/before"
fi
point_to "versions/$version"
mkdir -p "$root/etc/systemd/system" "$root/usr/local/bin"
install -m 0644 "$home/current/deploy/systemd/weirkeeper@.service" "$root/etc/systemd/system/"
ln -sfn /opt/weirkeeper/current/weirkeeper "$root/usr/local/bin/weirkeeper"
if managed; then
    systemctl daemon-reload
    mapfile -t units < <(collectors)
    if ! restart_all "${units[@]}" && [ -L "$home/before" ]; then
        say "the new version did not come up; going back"
        go_back
        exit 1
    fi
fi
# The version in force and the one before stay with their packages; older ones go.
kept=" $version $(basename "$(readlink "$home/before" || echo none)") "
for old in "$home"/versions/*; do
    [[ $kept == *" ${old##*/} "* ]] || rm -rf "$old"
done
kept=" $(for each in "$home"/versions/*; do basename "$(readlink "$each/.venv")"; done | tr '\n' ' ') "
for old in "$home"/packages/*; do
    [[ $kept == *" ${old##*/} "* ]] || rm -rf "$old"
done
say "in force: $version. Next: /opt/weirkeeper/current/deploy/GUIDE.md"
