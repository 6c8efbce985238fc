#!/usr/bin/env bash
# Run a command with its temporary files in memory where there is enough: a sync then costs
# nothing. Tests kill processes, never the machine, so what was written outlives all that they do.
set -Eeuo pipefail

readonly MEMORY=/dev/shm
# Invented: a run of all tests holds about a tenth of it.
readonly ENOUGH_KIB=$((6 * 1024 * 1024))

free_kib() { df --output=avail -k "$MEMORY" 2>/dev/null | tail -n 1; }
available_kib() { awk '/^MemAvailable:/ {print $2}' /proc/meminfo; }

if [ -w "$MEMORY" ] && (($(free_kib) >= ENOUGH_KIB && $(available_kib) >= ENOUGH_KIB)); then
    TMPDIR=$(mktemp -d "$MEMORY/gomphosis-test-XXXXXX")
    chmod 755 "$TMPDIR" # PostgreSQL runs as a user of its own
    export TMPDIR
    trap 'rm -rf "$TMPDIR"' EXIT
fi
"$@"
