#!/bin/sh
# Runs once, on an empty data folder: the two roles, the database, and who may shape it.
set -eu

psql --no-psqlrc --set ON_ERROR_STOP=1 --username "$POSTGRES_USER" --dbname postgres \
    --set owner_password="$ROUNDBOOK_OWNER_PASSWORD" --set app_password="$ROUNDBOOK_APP_PASSWORD" <<'SQL'
CREATE ROLE roundbook_owner LOGIN NOSUPERUSER NOCREATEROLE NOCREATEDB PASSWORD :'owner_password';
CREATE ROLE roundbook_app LOGIN NOSUPERUSER NOCREATEROLE NOCREATEDB PASSWORD :'app_password';
CREATE DATABASE roundbook OWNER roundbook_owner TEMPLATE template0 ENCODING 'UTF8' LC_COLLATE 'C' LC_CTYPE 'C';
-- A statement that fails holds names, days of birth and sign-ins; the server's log gets what went wrong and nothing of them.
ALTER DATABASE roundbook SET log_min_error_statement = 'panic';
ALTER DATABASE roundbook SET log_error_verbosity = 'terse';
REVOKE CONNECT ON DATABASE roundbook FROM PUBLIC;
GRANT CONNECT, TEMPORARY ON DATABASE roundbook TO roundbook_app;
\connect roundbook
REVOKE CREATE ON SCHEMA public FROM PUBLIC;
GRANT USAGE ON SCHEMA public TO roundbook_owner, roundbook_app;
SQL
