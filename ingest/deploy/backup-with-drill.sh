#!/bin/sh
# Make a backup, restore it aside, count its account, and remove old backups.
#
#   backup-with-drill.sh FOLDER KEEP [flags of cleanside-ingest backup, like --settings FILE]
#
# FOLDER gets a folder for each backup, named after its moment (UTC). The newest KEEP of them stay.
# A backup gets there once its drill succeeded; until then it is in FOLDER/undrilled, where the last one stays
# whose drill failed. So cleanside_backup_age_seconds counts backups that were restored.
# It fails, and removes none of FOLDER, where the backup or the drill fails.
# The drill needs room for a second copy: of SQLite in FOLDER, of PostgreSQL on its server, where the user needs
# CREATEDB for it.
set -eu
umask 077
[ $# -ge 2 ] || { echo "usage: $0 FOLDER KEEP [flags]; see the first lines of this file" >&2; exit 2; }
folder=$1
keep=$2
shift 2
case $keep in '' | *[!0-9]* | 0) echo "$0: KEEP $keep is no number from 1; give how many backups stay" >&2; exit 2 ;; esac

name=$(date -u +%Y-%m-%dT%H%M%SZ)
undrilled=$folder/undrilled
mkdir -p "$undrilled"
cleanside-ingest backup --to "$undrilled/$name" "$@"
find "$undrilled" -mindepth 1 -maxdepth 1 -type d -name '????-??-??T??????Z' ! -name "$name" -exec rm -rf -- {} +

cleanside-ingest drill --from "$undrilled/$name" --aside "$folder" "$@"
mv -- "$undrilled/$name" "$folder/$name"
rmdir -- "$undrilled" 2>/dev/null || true # something of a person is in it

find "$folder" -mindepth 1 -maxdepth 1 -type d -name '????-??-??T??????Z' | sort -r | tail -n "+$((keep + 1))" |
    while read -r old; do rm -rf -- "$old"; done
