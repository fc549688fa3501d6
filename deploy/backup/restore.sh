#!/bin/sh
# Puts a backup into an empty database:  restore.sh FILE postgres://roundbook_owner:…@host/EMPTY_DATABASE
# It refuses a database that holds anything. BACKUP_PRIVATE_KEY: the private key file, for an encrypted backup.
set -eu
umask 077
[ $# -eq 2 ] || { echo "Usage: $0 FILE ADDRESS_OF_AN_EMPTY_DATABASE" >&2; exit 64; }
file=$1 into=$2
[ -r "$file" ] || { echo "$file cannot be read." >&2; exit 66; }
if [ -r "$file.sha256" ]; then
    (cd "$(dirname "$file")" && sha256sum --quiet --check "$(basename "$file").sha256") ||
        { echo "$file is not what was written when it was made. Take another backup." >&2; exit 65; }
fi
tables=$(psql --no-psqlrc --dbname "$into" --tuples-only --no-align \
    --command "SELECT count(*) FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace WHERE n.nspname = 'public' AND c.relkind = 'r'")
[ "$tables" = 0 ] || { echo "That database holds $tables tables. Name an empty one: nothing is ever restored over data." >&2; exit 65; }
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
case $file in
*.gpg)
    : "${BACKUP_PRIVATE_KEY:?is missing: this backup is encrypted, set it to the private key file}"
    gpg --homedir "$work" --batch --quiet --no-tty --import "$BACKUP_PRIVATE_KEY"
    gpg --homedir "$work" --batch --quiet --no-tty --output "$work/dump" --decrypt "$file"
    file=$work/dump
    ;;
esac
pg_restore --dbname "$into" --exit-on-error --single-transaction --no-owner "$file"
PGOPTIONS="-c client_min_messages=error" psql --no-psqlrc --quiet --dbname "$into" --command "ANALYZE"
echo "Restored. Now run deploy/bin/migrate against it, then: python manage.py restore_drill --report"
