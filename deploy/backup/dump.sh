#!/bin/sh
# One backup: dumps the database, proves the file readable, encrypts it when a key is given, forgets old ones.
#   DATABASE_OWNER_URL  the owner's address; BACKUP_FOLDER  where files go; BACKUP_KEEP_DAYS  how long (30)
#   BACKUP_KEY          an OpenPGP public key file: then the dump is encrypted to it, and only its private half,
#                       which belongs somewhere else, can read it again
set -eu
umask 077
: "${DATABASE_OWNER_URL:?is missing: set it to the address of PostgreSQL with the role of the owner}"
: "${BACKUP_FOLDER:?is missing: set it to the folder that backups go to, on another disk than the database}"
keep=${BACKUP_KEEP_DAYS:-30}
name="roundbook-$(date -u +%Y-%m-%dT%H%M%SZ)"
half="$BACKUP_FOLDER/.$name.half"
trap 'rm -f "$half" "$half.gpg"' EXIT

pg_dump --dbname="$DATABASE_OWNER_URL" --format=custom --file="$half"
pg_restore --list "$half" >/dev/null
if [ -n "${BACKUP_KEY:-}" ]; then
    home=$(mktemp -d)
    gpg --homedir "$home" --batch --quiet --no-tty --trust-model always --compress-algo none \
        --recipient-file "$BACKUP_KEY" --output "$half.gpg" --encrypt "$half"
    rm -rf "$home"
    kept="$name.dump.gpg"
    mv "$half.gpg" "$BACKUP_FOLDER/$kept"
else
    kept="$name.dump"
    mv "$half" "$BACKUP_FOLDER/$kept"
fi
(cd "$BACKUP_FOLDER" && sha256sum "$kept" >"$kept.sha256")
# The newest seven stay whatever their age: a clock that runs wild must not empty the folder.
ls -1t "$BACKUP_FOLDER"/roundbook-*.dump "$BACKUP_FOLDER"/roundbook-*.dump.gpg 2>/dev/null | tail -n +8 | while read -r old; do
    find "$old" -mtime "+$keep" -exec rm -f "$old" "$old.sha256" \;
done
echo "$BACKUP_FOLDER/$kept"
