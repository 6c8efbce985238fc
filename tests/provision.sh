#!/bin/sh
# Provides what the project needs on a bare machine.
#
#   tests/provision.sh environment run|dev    the Python environment .venv from requirements/*.lock
#   tests/provision.sh environment bench      the one of the benchmarks, build/bench-venv
#   tests/provision.sh environment mutation   the one of the mutation run, build/mutation-venv
#   tests/provision.sh environment supply     the one that lists and audits dependencies, build/supply-venv
#   tests/provision.sh servers                RabbitMQ, PostgreSQL, DCMTK, Chromium (Debian packages, as root)
#
# Running it again does nothing when nothing has changed.
set -eu
cd "$(dirname "$0")/.."

POLICY=/usr/sbin/policy-rc.d
POLICY_SAVED=/usr/sbin/policy-rc.d.before-gomphosis
POLICY_MARK='Written by the gomphosis test provision, removed after the install.'

say() { printf '%s\n' "$*" >&2; }
fail() { say "error: $*"; exit 1; }

# --- the Python environment -------------------------------------------------------------------

new_enough() { "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; }
makes_venvs() { "$1" -c 'import venv, ensurepip' 2>/dev/null; }

find_python() {
    too_bare=''
    for candidate in ${PYTHON:-python3.13 python3.12 python3.11 python3}; do
        new_enough "$candidate" || continue
        if makes_venvs "$candidate"; then
            printf '%s' "$candidate"
            return
        fi
        too_bare=$candidate
    done
    if [ -n "$too_bare" ]; then
        fail "$too_bare lacks its modules venv and ensurepip: install them (on Debian: apt-get install python3-venv)"
    fi
    fail "no Python 3.11 or newer found as ${PYTHON:-python3.13, python3.12, python3.11 or python3}: install one, or name it by PYTHON=..."
}

fingerprint() { # of everything that the installed environment depends on
    "$1" - "$2" pyproject.toml <<'PYTHON_END'
import hashlib, pathlib, sys
together = b"".join(pathlib.Path(name).read_bytes() for name in sys.argv[1:])
print(sys.version_info[:2], hashlib.sha256(together).hexdigest(), pathlib.Path.cwd())
PYTHON_END
}

provide_environment() {
    lock=requirements/$1.lock
    [ -f "$lock" ] || fail "there is no $lock: expected 'run', 'dev', 'bench', 'mutation' or 'supply'"
    folder=.venv
    case $1 in bench | mutation | supply) folder=build/$1-venv ;; esac
    python=$folder/bin/python

    # Half made, moved or too old: made anew.
    if ! { [ -x "$python" ] && new_enough "$python" && "$python" -c 'import pip' 2>/dev/null; }; then
        base=$(find_python)
        if [ -e "$folder" ]; then
            [ -f "$folder/pyvenv.cfg" ] || fail "$folder is in the way and is no Python environment: move it"
            rm -rf "$folder"
        fi
        say "making $folder with $("$base" --version)"
        "$base" -m venv "$folder"
    fi

    stamp=$folder/installed-$1
    wanted=$(fingerprint "$python" "$lock")
    if [ -f "$stamp" ] && [ "$(cat "$stamp")" = "$wanted" ]; then
        return
    fi
    rm -f "$folder"/installed-*
    say "installing $(grep -c '==' "$lock") packages of $lock (about half a minute)"
    # The lock is whole; older pips that solve again want a newer release than the pinned one.
    "$python" -m pip install -qq --disable-pip-version-check --no-input \
        --no-deps --require-hashes --requirement "$lock"
    "$python" -m pip install -qq --disable-pip-version-check --no-input --no-deps --editable .
    # dev.lock holds every pin of run.lock (a test sees to that), so it serves for both.
    [ "$1" != dev ] || fingerprint "$python" requirements/run.lock >"$folder/installed-run"
    printf '%s\n' "$wanted" >"$stamp"
}

# --- the servers for the tests ----------------------------------------------------------------

missing_packages() {
    [ -x /usr/lib/rabbitmq/bin/rabbitmq-server ] || printf 'rabbitmq-server '
    found=''
    for initdb in /usr/lib/postgresql/*/bin/initdb; do
        [ ! -x "$initdb" ] || found=yes
    done
    [ -n "$found" ] || printf 'postgresql '
    [ -x /usr/bin/storescu ] || printf 'dcmtk '
    [ -x /usr/bin/chromium ] || printf 'chromium '
    docker compose version >/dev/null 2>&1 || command -v docker-compose >/dev/null || printf 'docker-compose '
}

# invoke-rc.d asks policy-rc.d before it starts a service; 101 forbids. So nothing that is
# installed for the tests' private servers comes up as a server of the machine.
# Source: policy-rc.d(8), Debian package init-system-helpers.
forbid_service_starts() {
    if grep -qs "$POLICY_MARK" "$POLICY"; then
        return # left by a run that was killed; allow_service_starts takes it away
    fi
    [ ! -e "$POLICY" ] || mv "$POLICY" "$POLICY_SAVED"
    printf '#!/bin/sh\n# %s\nexit 101\n' "$POLICY_MARK" >"$POLICY"
    chmod 755 "$POLICY"
}

allow_service_starts() {
    if grep -qs "$POLICY_MARK" "$POLICY"; then
        rm -f "$POLICY"
    fi
    if [ -e "$POLICY_SAVED" ] && [ ! -e "$POLICY" ]; then
        mv "$POLICY_SAVED" "$POLICY"
    fi
}

keep_from_next_boot() { # where systemd runs, an installed service would start with the machine
    [ -d /run/systemd/system ] || return 0
    for package in "$@"; do
        case $package in
        rabbitmq-server) systemctl disable rabbitmq-server.service epmd.socket epmd.service ;;
        postgresql) systemctl disable postgresql.service ;;
        esac || say "note: could not keep $package from starting at boot; see systemctl status"
    done
}

provide_servers() {
    packages=$(missing_packages)
    [ -n "$packages" ] || return 0
    if ! command -v apt-get >/dev/null; then
        say "tests that need these are skipped; install their like from your system: $packages"
        return
    fi
    if [ "$(id -u)" -ne 0 ]; then
        say "tests that need these are skipped; as root: apt-get install --no-install-recommends $packages"
        return
    fi
    if ! makes_a_python; then
        packages="$packages python3-venv"
    fi
    say "installing $packages"
    trap allow_service_starts EXIT
    trap 'exit 130' INT TERM HUP
    forbid_service_starts
    log=$(mktemp)
    # shellcheck disable=SC2086 # the words are packages
    if ! { apt-get update -q && DEBIAN_FRONTEND=noninteractive apt-get install -q -y \
        --no-install-recommends $packages; } >"$log" 2>&1 </dev/null; then
        cat "$log" >&2
        fail "apt-get could not install $packages; its words are above"
    fi
    rm -f "$log"
    # shellcheck disable=SC2086
    keep_from_next_boot $packages
    allow_service_starts
    trap - EXIT INT TERM HUP
}

makes_a_python() (find_python >/dev/null 2>&1)

case "${1:-}" in
environment) provide_environment "${2:-dev}" ;;
servers) provide_servers ;;
*) fail "expected 'environment run|dev|bench|mutation|supply' or 'servers', not '${1:-}'" ;;
esac
