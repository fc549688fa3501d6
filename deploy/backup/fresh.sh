#!/bin/sh
# Whether the newest backup is younger than 26 hours: for health checks and for whatever watches this host.
set -eu
: "${BACKUP_FOLDER:?is missing: set it to the folder that backups go to}"
newest=$(find "$BACKUP_FOLDER" -maxdepth 1 -name 'roundbook-*.dump*' ! -name '*.sha256' -mmin -1560 | head -n 1)
[ -n "$newest" ] && exit 0
echo "No backup in $BACKUP_FOLDER is younger than 26 hours." >&2
exit 1
