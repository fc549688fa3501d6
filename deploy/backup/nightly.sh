#!/bin/sh
# For containers: one backup a night at BACKUP_AT (UTC, 01:30), for ever. Under systemd a timer does this.
set -eu
here=$(dirname "$0")
at=${BACKUP_AT:-01:30}
trap 'exit 0' TERM INT
while :; do
    now=$(date -u +%s)
    next=$(date -u -d "today $at" +%s)
    [ "$next" -gt "$now" ] || next=$(date -u -d "tomorrow $at" +%s)
    sleep $((next - now)) &
    wait $!
    "$here/dump.sh" || {
        echo "The backup failed; the lines above say why. It is tried again in an hour." >&2
        sleep "${BACKUP_AGAIN_SECONDS:-3600}" &
        wait $!
        "$here/dump.sh" || echo "The backup failed again. Look at once." >&2
    }
done
