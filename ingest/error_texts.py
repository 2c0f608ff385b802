"""
The sentence of every code that an error of the server has: value, rule and next step.

The errors themselves are in `errors`. Another language is another table.
Leaves to others: the title and next step of a problem over HTTP (`api.problems`, `intake.codes`).
"""

from __future__ import annotations

from collections.abc import Callable

from cleanside.gateway import setting_texts
from cleanside.gateway.wire import Sentences, Values


def _unit_does_not_measure(values: Values) -> str:
    hint = f'did you mean "{values["likely"]}"? ' if values["likely"] else ""
    said = f'unit "{values["unit"]}" does not measure {values["quantity"]}'
    return f"{said}; {hint}send one of {values['accepted']}"


def _not_lower(values: Values) -> str:
    said = f"{values['number']} is no lower number: the gateway"
    if values["reported"] is None:
        return f"{said} has reported none, so nothing is pending here"
    return f"{said} reported {values['reported']}; only its report raises it, so give a lower number"


def _limit_out_of_reach(values: Values) -> str:
    in_kpa = "" if values["unit"] == "kPa" else f" ({values['value_kpa']:g} kPa)"
    said = f"{values['value']:g} {values['unit']}{in_kpa} is above {values['highest_kpa']:g} kPa"
    look = "check value and unit in the engine maker's manual"
    return f"{said}, the highest reading that is accepted; {look}"


def _unreadable(named: str, step: str) -> Callable[[Values], str]:
    """The sentence of a file that cannot be read. step : the next one where reading it is not forbidden."""

    def sentence(values: Values) -> str:
        uid = values["denied_uid"]
        if uid is None:
            next_step = step
        else:
            next_step = f"let user id {uid} read it: ls -l says whom the file and its folders belong to"
        return f"{named.format_map(values)} cannot be read ({values['why']}); {next_step}"

    return sentence


#: code -> sentence
SENTENCES: Sentences = {
    **setting_texts.SENTENCES,
    "account_differs": (
        "the account of the backup is {found}, its manifest says {in_manifest}; use another backup"
    ),
    "account_has_faults": "the account has {faults}, in the backup as in the database; see: account",
    "address_not_public": (
        "{address} is not a public address; give one, or have its network named in webhook_networks"
    ),
    "address_tries_spent": (
        "this address has tried too often without a valid key or code; send again in {retry_s} s"
    ),
    "address_with_zone": "{address} is not a public address: it names a zone of this machine; leave it out",
    "analyse_of_sqlite": (
        "the server of a SQLite file analyses its readings itself; use PostgreSQL for more than one process"
    ),
    "another_bundle": "another bundle is being imported; send it again later",
    "archive_file_altered": "archive file {source} is not as it was made; put it back from an older backup",
    "archive_file_differs": (
        "archive file {file!r} is not the same in the manifest and the database of the backup; nothing "
        "was restored, use another backup"
    ),
    "archive_file_unreadable": (
        "archive file {path} cannot be read ({why}); put it back from an older backup"
    ),
    "archive_file_broken": "archive file {file} cannot be read ({why}); put it back from a backup",
    "archive_file_outside": (
        "archive file {archive}: {why}; restore a backup from before the database was changed"
    ),
    "archive_folder_not_set": "readings are in archive file {file}, and archive_folder is not set; set it",
    "archive_folder_needed": "{source} has an archive; give the folder it goes to, --archive-folder",
    "archive_folder_not_a_folder": "archive folder {folder} is no folder; give another --archive-folder",
    "archive_mark_unreadable": (
        "{path} does not say whose archive this is ({why}); see what it is. Without it the next server that "
        "archives here makes the folder its own"
    ),
    "archive_of_another_database": (
        "archive folder {folder} belongs to the database {place}; give this one a folder of its own "
        "(--archive-folder). Where that database is gone for good, delete {mark} and try again"
    ),
    "backup_under_way": "another process makes the backup {to}; wait for it, or name another folder",
    "backup_exists": "{to} is there already; name a folder that is not",
    "backup_of_another_database": "{source} is of a {database} database; give such a --database",
    "backup_unusable": "{why}; use another backup",
    "blocks_in_use": "new readings are stored as blocks; first run: cleanside-ingest blocks stop",
    "block_checksum_wrong": (
        "block of readings {block}, {size} bytes: its checksum is wrong; restore the database from a backup"
    ),
    "block_head_differs": (
        "block of readings {block} has others than its row says; restore the database from a backup"
    ),
    "block_unreadable": (
        "block of readings {block} cannot be read ({why}); restore the database from a backup"
    ),
    "block_version_unknown": (
        "block of readings {block} has version {version}, newer than {newest}; run the release that wrote it"
    ),
    "being_served": "{path} is being served by another process; stop it first",
    "being_served_ask": (
        "{path} is being served by another process; ask it with an admin's key: {route}, "
        "or stop it first: gateways keep meanwhile what they measure"
    ),
    "bytes_in_flight": (
        "{held_bytes} bytes of other requests are being read, at most {most_bytes}; send again shortly"
    ),
    "code_mistyped": "the code was typed wrongly: its last symbol does not fit the others; type it again",
    "code_needs_terminal": "a code is shown on a terminal only; use --out FILE to write it to a file",
    "code_not_whole": (
        "a code has {symbols} letters and digits in three groups; look again and type all of it"
    ),
    "column_missing": "{path}: no column {column}; its columns are {columns}",
    "command_hidden": (
        "{part} is below a folder that the unit cannot see (/home, /root, /tmp), so it would not start; "
        "install the package elsewhere (python3 -m venv /opt/cleanside) and run install-service from there"
    ),
    "copy_not_sound": "{path} is not sound: {why}; use another backup",
    "commit_not_awaited": (
        "synchronous_commit is off: a commit is answered before it is on the disk, and a crash of the "
        "database loses it; set it to on for this database and its role"
    ),
    "database_file_exists": "{path} is there already; move it away, or restore to another --database",
    "database_folder_not_made": "database folder {folder} cannot be made ({why}); give another --database",
    "database_in_memory": (
        'database "{url}" is kept in memory and would be lost; give a file, sqlite:////path/to/file.db'
    ),
    "database_not_empty": "the database has {tables} already; restore into an empty one (createdb)",
    "database_disk_full": (
        "the disk of {path} is full ({free} bytes are free); make room there, and run this again"
    ),
    "disk_full": (
        "the disk of {folder} is full: it needs {needed} bytes at least and has {free}; nothing of this try "
        "is left; make room there, or give another {flag}"
    ),
    "database_not_utf8": (
        "database {name} has encoding {encoding}, and names of people and machines need UTF8; make one and "
        "name it in `database` of the settings: createdb -E UTF8 -T template0 NAME (where the locale does "
        "not fit, with -l C.UTF-8)"
    ),
    "database_file_not_opened": (
        "{path} cannot be opened ({why}); {owners}: file and folder have to belong to who runs this, "
        "on a disk that can be written"
    ),
    "database_file_not_sqlite": (
        "{path} cannot be opened ({why}); check its name in `database` of the settings (--database)"
    ),
    "database_not_opened": (
        "{url} cannot be opened ({why}); see whether it is there and whether `database` of the settings "
        "(--database) has the right user, password, host and name"
    ),
    "database_url_unknown": (
        'database "{url}" is not a URL we know; give sqlite:////path/file.db or postgresql://host/name{signs}'
    ),
    "device_not_a_name": '--device "{device}" is not a name of A-Z a-z 0-9 - : . _',
    "docs_not_as_they_should_be": "the documents have the faults above; correct them and build again",
    "docs_tools_missing": "{tools} not installed; run: {command}",
    "expires_at_not_usable": "--expires-at: {why}",
    "file_changed": "{file} changed while it was read; use another backup",
    "file_unreadable": _unreadable("{path}", "check the name"),
    "files_of_another_archive": (
        "{folder} has files of another archive, like {file}; move it away, and give its {revoked_keys} "
        "by --revoked-keys"
    ),
    "fleet_being_worked_out": "{made} more housings were worked out, not yet all; ask again later",
    "folder_not_made": "{path} cannot be made ({why}); name another folder",
    "folder_takes_no_archive": "{folder} cannot take an archive ({why}); move it away",
    "folder_without_lives": (
        "{folder} has no .csv file; each life is one CSV with the header hours,restriction"
    ),
    "host_ends_in_a_number": (
        "it ends in a number and is no IPv4 address; give four decimal numbers, or a name"
    ),
    "host_not_a_name": "its host is no name of letters, digits, - and _; give one, without % or a zone",
    "hours_below_zero": (
        "row 1 has hours {hours:g}; hours are the age of the element: count them from its first row"
    ),
    "hours_counted_from_first_row": (
        "row 1 has hours {hours:g}, further from 0 than a fifth of the {span:g} that follow: taken as a "
        "running meter and counted from row 1; where they are the age of the element, add its earlier rows"
    ),
    "hours_fall": "{path}: hours fall after row {row}, {hours:g}; sort by time",
    "hours_in_other_unit": (
        "the life lasts {hours:g}, the complete lives of other files {apart:.0f} times as much or as little, "
        "which is about the factor between two units of time; give all files in one unit"
    ),
    "hours_left_below_zero": (
        "row {row}: hours_left is {value:g}, and it ends at 0; leave the rows after the end out"
    ),
    "hours_left_do_not_add_up": (
        "row {row}: hours and hours_left make {total:g}, in the other rows {usual:g}; they are the two parts "
        "of one life, in one unit: mend the column"
    ),
    "hours_left_rise": "row {row}: hours_left rises to {value:g}; it falls with every hour: mend the column",
    "hours_stand_still": "every row has hours {hours:g}; a life needs hours that advance",
    "installation_incomplete": (
        "{place} holds no schema revision; the installation is incomplete: install cleanside again"
    ),
    "json_unwritable": "--json {path} cannot be written ({why}); give another file",
    "key_bytes_spent": "this key has sent too many bytes; send again in {retry_s} s",
    "key_file_exists": "{path} is there already; to change the key run: webhooks rotate-key",
    "key_file_needed": (
        "a server has to be asked, {server}; give --key-file FILE with an operator's key for it"
    ),
    "secret_file_exists": "{path} cannot be made: it is there already; name a file that is not there yet",
    "key_file_not_made": "{path} cannot be made ({why}); mend that, or name another file",
    "key_file_unreadable": _unreadable("{key_file}", "check --key-file"),
    "key_needs_terminal": (
        "a key is shown on a terminal only; use --out FILE to write it to a file, mode 0600"
    ),
    "key_requests_spent": "this key has sent too many requests; send again in {retry_s} s",
    "keys_in_the_clear": (
        "{address} is not loopback, and keys would cross the network in the clear; give "
        "--tls-certificate and --tls-key, or --behind-proxy and --trusted-proxies where TLS ends in a "
        "proxy before this server"
    ),
    "lease_lost": "another process has taken over ({lease}); what is not done yet, it does",
    "life_above_terminal": (
        "{path}: restriction {restriction:g} is at or above terminal {terminal:g} in the first row; "
        "check --terminal and --unit, or leave the life out"
    ),
    "life_doubled": (
        "the figures of {other} again; leave one of the two out: a life that counts twice makes the interval "
        "too narrow, and a life judged by itself makes the error too small"
    ),
    "life_of_one_row": "it has one row; a life needs at least two",
    "life_without_column": "{path}: no column {missing}; the header must have {wanted}, it has {columns}",
    "life_without_rows": "{path}: no rows below the header; a life needs at least two",
    "link_needs_terminal": (
        "a link is shown on a terminal only; use --out FILE to write it to a file of mode 0600"
    ),
    "lives_with_faults": "nothing was scored: {faults}",
    "lock_not_made": (
        "{path}.lock cannot be made ({why}); let uid {uid} write there, or give another --database"
    ),
    "log_setting_unknown": '{name} "{given}" is not known; give one of {known}',
    "leap_at_end": (
        "row {row}: restriction leaps from {before:g} to {value:g}, and no row after it shows whether it "
        "stays there; leave it out, or mend it, if it does not"
    ),
    "leap_to_terminal": (
        "row {row}: restriction leaps from {before:g} to {value:g}, and no row after it shows whether it "
        "stays at terminal; leave it out if it does not, else the life counts as complete"
    ),
    "lone_row": (
        "row {row}: restriction {value:g} is far from the rows before and after it ({many}); leave it out, "
        "or mend it"
    ),
    "lone_row_at_terminal": (
        "row {row}: restriction {value:g} is at terminal, and the rows before and after it are far below; "
        "one row ends no life: leave it out, or mend it"
    ),
    "mail_needs_key_file": (
        "webhook_key_file is not set, and links in mails are made with its keys; set it, and make the file "
        "with: webhooks create-key"
    ),
    "mail_not_taken": (
        "{host}:{port} did not take the message: {why}; check the smtp settings and the address"
    ),
    "mail_needs_public_address": (
        'public_address "{address}" is no address of the web, and mails have links to the pages; set it, '
        "like https://filters.example"
    ),
    "no_address_of_person": (
        "{name} has chosen no address of e-mail; choose one on the page Messages, or give --to"
    ),
    "no_mail_server": "smtp_host is not set, so no mail is sent; set it, smtp_sender and public_address",
    "no_person": 'there is no person "{name}"; see: people list',
    "merging_goes_on": (
        "a server of this database is still making blocks; try again in a minute, or in ten if it was killed"
    ),
    "no_archive_folder": (
        "there is no archive folder; with PostgreSQL give --archive-folder, one for all processes"
    ),
    "no_archive_register": "{dump} has no archive register of ours; use another backup",
    "new_database_beside": (
        "there is no database at {path}, and {other} lies beside it; correct `database` of the settings "
        "(--database), or give --migrate to make a new one"
    ),
    "no_database": (
        "there is no database at {path}; check --database; a new one is made by: cleanside-ingest migrate"
    ),
    "no_database_to_back_up": "there is no database at {path}; check --database",
    "no_housing": "there is no housing {housing} on a machine {machine}; register it",
    "no_key_waits": "no key {handle} waits to be confirmed; see: cleanside-ingest keys list",
    "instant_not_usable": "{at}: {why}",
    "no_device": "there is no device {device}; its name is as it was registered",
    "no_machine": "there is no machine {machine}; its name is as it was registered",
    "no_manifest": "{source} has no {manifest} of ours ({why}); name a folder made by backup",
    "no_owner": (
        'there is no owner "{name}", there is {there}; correct --owner. '
        "A new owner is made with its first key: keys create --role admin"
    ),
    "migration_under_way": (
        "another process brings this database to the newest schema; wait for its end, then run this again"
    ),
    "no_standby_answers": (
        "no standby has confirmed a commit for {waited_s} s, and what stands on one machine alone is not "
        "acknowledged; send again later, and have a person start a standby of synchronous_standby_names"
    ),
    "not_stored_in_time": (
        "the database did not end it within {waited_s} s; send again later: what it stored since is a repeat"
    ),
    "not_ready": "the database takes no readings; the server's log has the reason, in its lines {event}",
    "no_key_revocable": (
        "{path} cannot be written ({why}), so no key could be revoked; let the server's user write there "
        "(under systemd also ReadWritePaths=), or give another --archive-folder"
    ),
    "no_revoked_keys_file": "there is no file {path}; check --revoked-keys, or leave it out",
    "no_person_waits": "no person {name} waits to be confirmed; see: cleanside-ingest people list",
    "no_rows": "{path}: no rows below the header; give one row per operating hour",
    "no_trusted_proxies": (
        "--behind-proxy is given and trusted_proxies is empty: all clients would share one address and "
        "its limits; give --trusted-proxies with the address of the proxy, like 10.0.0.7, or none "
        "where it cannot say whom it forwards for (no X-Forwarded-For)"
    ),
    "no_write_in_time": "no write got through within {within_s:g} s; ask again later",
    "not_a_file": "{path} is not a file; give one CSV with the header hours,restriction",
    "not_a_folder": "{folder} is not a folder; give a folder with one CSV per life",
    "not_addresses": (
        'trusted_proxies "{setting}" is not a list of addresses ({why}); give 10.0.0.7,fd00::7'
    ),
    "not_as_in_manifest": (
        "{source} is not as its manifest says: {why}; nothing was restored, use another backup"
    ),
    "not_listening": "{host} port {port} cannot be listened on ({why}); give another {flag}",
    "not_networks": (
        'webhook_networks "{setting}" is not a list of networks ({why}); give 10.0.0.0/8,fd00::/8'
    ),
    "not_our_server": "{server} is not our server (status {status}); check --server",
    "not_sound": "{path} is not sound: {found}; look at the disk",
    "overlap_hours_out_of_range": "--overlap-hours {overlap_hours} is not from 0 to {most}",
    "restriction_far_below_zero": (
        "row {row}: restriction {value:g} is further below zero than a sensor's zero moves; leave rows "
        "without a value out, or take the zero off"
    ),
    "restriction_in_other_unit": (
        "the life ends at {share:.3g} times terminal and begins as far off from the others, as {meant} for "
        "{unit} would; give all files in one unit"
    ),
    "rows_doubled": (
        "{path}: row {row} and nearly every second one of {rows} are the same as the next; leave one of each "
        "pair out"
    ),
    "rows_at_terminal_and_back": (
        "rows {row} to {last}: restriction is at terminal, up to {value:g}, and before and after it is far "
        "below; that ends no life: leave them out, or mend them"
    ),
    "terminal_far_above": (
        "no life comes nearer to terminal than {share:.0%} of it; check --terminal and --unit"
    ),
    "too_many_streams": "{streams} pages look on already; this one looks again when asked to",
    "too_many_streams_of_one": "you look on with {streams} pages already; close one of them",
    "passwords_waiting": (
        "{waiting} others wait for their password to be checked; send again when Retry-After has passed"
    ),
    "previous_release_may_run": (
        "a process of the previous release could not read blocks; end the last one, then add "
        "--previous-release-ended"
    ),
    "requests_wait": "{waiting} requests wait for the disk already; send again when Retry-After has passed",
    "restriction_not_above_zero": (
        "{path}: row {row}: restriction is {restriction:g}; at work it must be above 0"
    ),
    "retention_days_zero": "retention_days is 0: readings stay in the database; give --retention-days DAYS",
    "revocation_unwritable": (
        "{path} cannot be written ({why}), so no key is revoked; let the server write there, then try again"
    ),
    "revoked_keys_unreadable": "{path} cannot be read ({why}); mend that, or move it away",
    "row_of_another_length": (
        "{path}: row {row} has {more} fields than the header; separate fields by commas and write "
        "decimals with a point"
    ),
    "rows_all_skipped": "{name}: {rows}, but --skip-rows {skip_rows} leaves none; skip fewer",
    "rows_out_of_range": (
        "--skip-rows {skip_rows}, --every {every}: rows are counted from 0 and 1; give more"
    ),
    "schema_differs": (
        "the database of the backup has schema {schema}, its manifest says {in_manifest}; nothing was "
        "restored, use another backup"
    ),
    "settings_not_named": (
        "no database is named, and {settings} is there: {path} would be another database, which that server "
        "does not know; give --settings {settings} where it names one, else run as the user of the service "
        "with XDG_DATA_HOME={folder}, or give --database"
    ),
    "schema_newer": (
        "the database has schema {schema}, this program knows up to {newest}; install its newer release"
    ),
    "schema_not_ours": (
        "the user of the database may not change its schema ({why}); run migrate as its owner, or have the "
        "owner run ALTER DATABASE ... OWNER TO"
    ),
    "schema_older": (
        "the database has schema {schema}, this program needs {newest}; make a backup, then run: "
        "cleanside-ingest migrate"
    ),
    "series_unreadable": "{path} cannot be read ({why}); give one CSV with the header hours,restriction",
    "server_away": (
        "{server} does not answer ({why}); check --server, then import again: blocks that were taken "
        "count as repeats. Without --server and --key-file the file goes into the database on this machine"
    ),
    "server_in_the_clear": '--server "{server}" is neither https nor on this machine; the key stays here',
    "server_stopping": "the server is stopping; ask another, or later",
    "sign_in_tries_spent": (
        "too many tries to sign in with what does not fit; try again in {retry_s} s, or ask an admin"
    ),
    "pdf_waits": "{most} documents are being made already; send again when Retry-After has passed",
    "pdf_not_made": "the document was not made ({why}); print the page instead, or try again later",
    "smtp_in_the_clear": (
        "smtp_security none is for a mail server on this machine, and {host} is not; set starttls or tls"
    ),
    "smtp_sender_not_an_address": (
        'smtp_sender "{sender}" is no address of e-mail; set it, like cleanside@filters.example'
    ),
    "smtp_user_without_password": "smtp_user and smtp_password_file belong together; set both or neither",
    "store_full": "the disk of the database is full; nothing is acknowledged, send again later",
    "store_read_only": "the database can only be read; nothing is acknowledged, send again later",
    "store_unavailable": "the database does not take it now; nothing is acknowledged, send again later",
    "streams_contended": "others write the same streams; nothing is acknowledged, send again shortly",
    "table_of_another_program": "{url} holds {table}, a table of another program; give another --database",
    "terminal_not_above_zero": "--terminal {value} must be above 0; take it from the engine maker's manual",
    "tls_certificate_missing": "tls_key or tls_client_ca is set without tls_certificate; set that, too",
    "tls_certificate_unusable": (
        "tls_certificate {file} cannot be used ({why}); check it and tls_key, both in PEM form"
    ),
    "tls_key_missing": "tls_certificate {file} has no private key in it; give the file of its key as tls_key",
    "tls_client_ca_empty": "tls_client_ca {file} holds no certificate ({why}); give PEM",
    "tls_file_unreadable": _unreadable("{name} {file}", "check the name"),
    "tool_failed": "{name} failed: {said}",
    "tool_of_older_release": (
        "{name} is of an older release than the server ({said}); give the folder of the server's release by "
        "--pg-tools, like /usr/lib/postgresql/16/bin"
    ),
    "tool_missing": (
        "{name} is not found; install PostgreSQL's client tools of the server's release, or give --pg-tools"
    ),
    "truth_unknown": (
        "{name}: ends below terminal and has no column hours_left, so its truth is unknown; add the "
        "column, or move the life to the train folder (it counts as censored there)"
    ),
    "unit_not_of_restriction": '--unit "{unit}" is no unit of restriction; use {known}',
    "url_in_the_clear": "it would carry the event in the clear; give https",
    "url_member_needs_service_file": (
        "the database URL has {member}, which the tools of PostgreSQL take from their arguments or a "
        "service file; put it into a service file (pg_service.conf) and give ?service=NAME"
    ),
    "url_not_ascii": "it is no address of up to {most} ASCII characters; give it like https://host/path",
    "url_not_of_the_web": "it is no web address; give it like https://host/path",
    "url_port": "its port is not one from 1 to 65535; leave it out or correct it",
    "url_with_user_or_fragment": (
        "it has a user or a fragment; leave them out, deliveries are signed instead"
    ),
    "valid_hours_out_of_range": "--valid-hours {valid_hours} is not from 1 to {most}",
    "value_is_a_marker": (
        "{path}: row {row}: {column} is {value:g} ({rows}), a mark for a missing value; leave such rows out"
    ),
    "value_missing": "{path}: row {row}: {column} is {value}; leave rows without a value out",
    "value_not_a_number": '{path}: row {row}: {column} "{value}" is not a number; mend the row',
    "webhook_key_file_not_set": "webhook_key_file is not set; give --webhook-key-file FILE",
    "writer_stopping": "the server is stopping; send again shortly",
    # an encrypted secret of a webhook
    "sealed_altered": "it was altered, or belongs to another row",
    "sealed_with_another_key": "it is encrypted with key {key}",
    "webhook_altered": "{why}; end this webhook and register it again",
    "webhook_key_missing": "key file {path} is not there; put it back from the copy you keep",
    "webhook_key_not_in_file": (
        "it is encrypted with key {key}, which {path} does not hold; add its line from the copy you keep"
    ),
    "webhook_key_not_made": (
        "key file {path} cannot be made ({why}); let uid {uid} write there, or set webhook_key_file"
    ),
    "webhook_key_unreadable": _unreadable("key file {path}", "correct it"),
    "webhook_key_unset": (
        "webhook_key_file is not set; run: cleanside-ingest webhooks create-key, and set webhook_key_file "
        "to the same file on every host"
    ),
    "webhook_secretless": "it has no secret",
    # requests that are refused: keys and codes
    "code_for_another_device": (
        "the code is for device {device}, not {other}; correct the setting, or ask for another"
    ),
    "code_not_valid": (
        "this code is not valid: unknown, used, or out of date; ask the person who made it for a new one"
    ),
    "expires_in_the_past": (
        "expires_at is not in the future; give a later instant, or leave it out for a key that lasts"
    ),
    "key_expired": "key {handle} expired at {at}; have an admin make a new one",
    "key_not_for_device": "this key is not for device {device}; use a key that is bound to it",
    "key_replaced": "key {handle} was replaced by {successor} and has ended; use that one",
    "key_suspended": (
        "this key is suspended since a backup was restored, because it may have been revoked after the "
        "backup; have a person at the server confirm it: cleanside-ingest keys confirm HANDLE"
    ),
    "key_unknown": (
        "there is no valid key; send the header Authorization: Bearer KEY, with a key that is not revoked"
    ),
    "key_without_devices": "a key of role device is bound to its devices; name at least one",
    "last_admin_key": (
        "the owner would have no admin key that is valid and without an end; make one first "
        "(POST /v1/keys, or on the server: cleanside-ingest keys create --role admin)"
    ),
    "not_rotatable": "key {handle} is {state}; make a new key",
    "role_of_key_not_allowed": "a key of role {role} may not do this; it takes one of role {needed}",
    "role_of_person_not_allowed": "a person of role {role} may not do this; it takes one of role {needed}",
    "not_for_a_key": "a key of role {role} may not do this; it is for people who are signed in alone",
    "not_for_a_person": "a person of role {role} may not do this; it is for keys of programs alone",
    "role_without_devices": "a key of role {role} is not bound to devices; leave them out",
    "trial_under_way": "another trial event is on its way; send this one after Retry-After",
    "rotated_lately": "key {handle} was made a moment ago; a key replaces itself at most once an hour",
    "successor_in_use": "key {handle} was replaced by {successor}, which is in use; rotate that one",
    "transfer_code_not_valid": (
        "this code is not valid: unknown, used, or out of date; ask the owner who offered the machine "
        "for a new one"
    ),
    # requests that are refused: people and their sessions
    "beyond_sites": "this reaches beyond single sites; ask somebody of your role who sees all of them",
    "cross_site": "this request was not sent by a page of this server; open its pages and do it there",
    "invitation_not_valid": (
        "this link is not valid: unknown, used, or out of date; ask whoever made it for a new one"
    ),
    "last_admin": (
        "{name} is the last admin who can sign in, for all sites; invite another one first "
        "(or on the server: cleanside-ingest people invite NAME --role admin)"
    ),
    "identity_taken": "this identity is another person's already; sign in with it, or use another",
    "oidc_refused": "the sign-in by the provider was not taken: {why}; begin again",
    "oidc_away": "the provider does not answer ({why}); try again later, or use the password",
    "oidc_secret_unreadable": "oidc_client_secret_file {file} cannot be read ({why}); check the name",
    "oidc_incomplete": "oidc_issuer is set without oidc_client_id; set that, too",
    "oidc_issuer_unusable": "oidc_issuer {issuer} is not https, nor on this machine; give https://...",
    "passkey_refused": "this passkey does not fit; try again, or use the password",
    "public_address_not_set": (
        'the pages were asked for as "{address}", which anybody can write into a request, so no link leads '
        "there; set public_address to the address under which people open them"
    ),
    "passkeys_not_here": "a passkey is bound to a name over https, or to localhost; this is {name}",
    "too_many_passkeys": "{most} passkeys are the most; remove one first",
    "name_of_others": '"{name}" means something else in the audit log; take another name',
    "not_a_name_of_people": (
        '"{name}": 1 to 32 small letters, digits and - . _ only, a letter or digit first and last; '
        "a display name may have any"
    ),
    "not_a_role_of_people": '"{role}" is no role of people; take one of {roles}',
    "password_changed_meanwhile": "the password was changed at this moment; sign in again",
    "password_of_another_length": (
        "the password has {characters} characters; take {shortest} to {longest}, four words in a row are "
        "easy to remember"
    ),
    "password_too_plain": (
        "the password has fewer than {least} different characters; take four words in a row"
    ),
    "password_with_control_characters": "the password has control characters; leave them out",
    "person_name_alike": (
        'there is a person {other} here already, and "{name}" reads the same in the audit; take another name'
    ),
    "person_name_taken": (
        "there is a person {name} here already, perhaps one who is out; take another name, or give them a "
        "new link: cleanside-ingest people reset, or POST /v1/people/{name}/resets"
    ),
    "person_suspended": (
        "{name} waits since a backup was restored: it may have been revoked after the backup; "
        "have somebody at the server confirm it: cleanside-ingest people confirm NAME"
    ),
    "session_ended": (
        "this session is over or was ended; sign in again, what you entered is kept where it is"
    ),
    "session_missing": "this request has no session; sign in, then send again",
    "sign_in_refused": (
        "name and password do not fit together; type both again, or ask an admin for a new link"
    ),
    "site_not_seen": "you see the sites {sites} alone; name one of them",
    "site_not_yours": "you decide about people of your sites alone; name sites among {sites}",
    # requests that are refused: what people enter, and what the shop knows
    "cell_faulty": '{fault}: "{value}"; {rule}; {next_step}',
    "entry_content_unfit": (
        "an entry cannot be kept as it is; send at most {most} bytes of UTF-8, without half a surrogate pair"
    ),
    "entry_differs": "entry {entry_id} is there already, with {there}",
    "entry_id_taken": (
        "entry {entry_id} was taken with another content; an entry that is changed is a new one, with an id "
        "of its own"
    ),
    "entry_kind_unknown": 'there is no entry of kind "{kind}"; send one of {known}',
    "entry_of_another_person": (
        "this entry was made by another person, not by {person}; sign in as whoever made it"
    ),
    "entry_taken_differs": (
        "entry {entry_id} was taken at {taken_at} as {kind} of {machine} with another content; an entry "
        "that is changed is a new one, with an id of its own"
    ),
    "entry_too_early": (
        "{member} {at} places the entry before {earliest}, when no monitor measured; correct the clock that "
        "made it, or the time"
    ),
    "gauge_beyond": (
        "{value:g} {unit} is more than {most_kpa:g} kPa, which no gauge for intake restriction shows; look "
        "at value and unit again"
    ),
    "gauge_shows_nothing": (
        "a gauge shows a value in its unit, the machine's own indicator latched or not; say which"
    ),
    "laid_up_ends_before_it_begins": (
        "laid up until {until}, which is before {from_day}; correct one of the two days"
    ),
    "list_ends_elsewhere": "before={before}: the list ends before a day; give one from {first} to {latest}",
    "meter_above_later": (
        "{meter_h:g} h are more than the {other_h:g} h read later, at {other_at}; a meter runs forwards: "
        "correct value or time"
    ),
    "meter_ahead_of_clock": (
        "{meter_h:g} h do not fit {other_h:g} h read at {other_at}: between them lie more hours than the "
        "{passed_h:.0f} h that passed; correct it, or after a new meter give old_meter_hours, and "
        "new_meter_began_hours where it showed more than 0 when it was fitted"
    ),
    "new_meter_half_said": (
        "new_meter_began_hours={began_h:g} needs old_meter_hours beside it, and is at most meter_hours; give "
        "what the new meter showed when it was fitted, or leave it out"
    ),
    "meter_first_high": (
        "{meter_h:g} h as a first reading is more than {most_h:g} h, ten years without a stop; correct it, "
        "or, if the meter shows that, give old_meter_hours too: what a meter before showed last, 0 for none"
    ),
    "meter_below_worked": (
        "{meter_h:g} h are fewer than the {seen_h:.0f} h that the monitors saw the engine run; correct it, "
        "or, if a new meter was fitted, give old_meter_hours: what the one before showed last"
    ),
    "meter_lower": (
        "{meter_h:g} h are fewer than the {other_h:g} h read at {other_at}; correct it, or, if a new meter "
        "was fitted, give old_meter_hours: what the one before showed last; if the {other_h:g} h are wrong, "
        "take that reading back first: an entry of kind take_back"
    ),
    "place_not_chosen": "choose the place on {machine}: which monitor it replaces, or beside which it comes",
    "monitor_on_no_machine": "{device} sits on no machine; there is nothing to take off",
    "monitor_sits_elsewhere": "{device} sits on {machine} ({housing}) by now; load the page again",
    "not_a_jpeg": "jpeg is no JPEG in base64; send a photo of at most {most} bytes as JPEG",
    "photo_too_large": "the photo has {width} x {height} pixels, at most {most}; send a smaller one",
    "number_grouped": '{name}: "{text}" may group thousands or be decimal; write {plain}, or {decimal}',
    "tap_not_plugged": (
        "the tap on the clean side must be plugged when a monitor comes off; plug it, then tick the box"
    ),
    "not_a_date_and_time": '"{text}" is not a date and time; pick one, or leave it empty for just now',
    "not_a_day_and_time": '"{day} {time}" is not a day and a time; write 2026-11-28 and 13:00',
    "not_a_day_of_the_list": '"{on}" is no day; choose one of the list',
    "number_below_zero": '{name}: "{text}" is below zero; write what stands there, without a sign',
    "not_a_number": '{name}: "{text}" is no number; write it like 8120.5',
    "no_file_chosen": "no file was chosen; choose the file that cleanside-gateway export wrote",
    "no_repair_chosen": "no repair was chosen; go back and choose one",
    "shift_not_seconds": '"{text}" is not a number of seconds; write 3600 or -86400',
    "not_a_whole_number": '{name}: "{text}" is no whole number; write it like 12',
    "planned_day_beyond": "{on} is more than two years ahead (now {now}); correct the year",
    "planned_day_far": "{on} is far ahead; correct it, or say confirmed_because",
    "planned_day_no_work": "{on} is no working day; choose another, or say confirmed_because",
    "planned_day_reached": (
        "the element is at its limit already, and {on} is late; correct it, or say confirmed_because"
    ),
    "planned_day_too_late": "{on} is likely too late for the element; correct it, or say confirmed_because",
    "planned_day_over": "{on} is over (now {now}); plan a day that is to come",
    "read_in_the_future": "{at} is in the future (now {now}); enter it after it was read",
    "sheet_faulty": "{faults} faults in the file; nothing was taken",
    "sheet_is_taken_back": "spreadsheet {sheet} is taken back already; bring it again to have its values",
    "sheet_of_all_sites": "a spreadsheet is about all sites; have somebody bring it who is for all of them",
    "plans_wait": "other plans are being made; ask again shortly",
    "fixed_not_read": '"{text}" is not machine/housing/day; write it like grader-07/main/2026-12-04',
    "plan_fixed_on_free_day": (
        "{machine} cannot be visited on {day}: no person works then, it is laid up, or the plan ends before; "
        "choose another day"
    ),
    "plan_fixed_too_late": (
        "on {day} the chance that {machine} is at its limit is above what you allow; "
        "choose {last_day} or a day before"
    ),
    "plan_fixed_without_room": (
        "with the days chosen by hand for {machines} there is no plan for all machines; let one of them "
        "go, or enter more people"
    ),
    "plan_not_found_in_time": "no plan was found in time; choose fewer days by hand, or ask again",
    "resend_without_gateway": (
        "{device} posts its readings by itself, no gateway has reported for it, so nothing would answer; "
        "post the readings again from where they come from"
    ),
    "too_many_confirmations": (
        "{most} links to new addresses were sent within a day; use the newest one, or wait a day"
    ),
    "limit_changed_since": "another limit was entered since; it stays: enter the right one instead",
    "order_pieces_gone": (
        "{site} does not have {pieces} of {part} any more, so what came cannot be taken back; correct the "
        "stock there, or enter a new order"
    ),
    "order_end_not_kept": "how the order ended was not kept then; enter a new one",
    "order_came_nowhere": "no site is named; say to which one the parts came",
    "planned_since": (
        "since you looked, {by} planned the change of {machine} for {on} (note: {note!r}); yours was not "
        "taken: look at that plan, and plan again if you still mean it"
    ),
    "plan_taken_back_since": (
        "since you looked, the planned day of {machine} was taken back; yours was not taken: plan again if "
        "you still mean it"
    ),
    "plan_outdated": (
        "since this plan was made, a day was planned or work entered for {many} of its machines: "
        "{machines}; nothing was accepted: look at the plan as it is now, and accept that one"
    ),
    "plan_short_of_people_or_parts": (
        "{changes} changes take {need_h:g} h without the ways, people have {people_h:g} h in {days} days, "
        "and parts that are ordered today may come later; enter more people, or correct stock and lead times"
    ),
    "plan_visit_longer_than_day": (
        "the way to site {site} and one change take {need_h:g} h, people have {most_h:g} h a day; enter more "
        "people, or correct the hours"
    ),
    "plan_without_working_day": (
        "no person works on any of the next {days} days; enter people, hours and working days"
    ),
    "site_of_others": "you are for {sites}; choose among these, or ask an admin for the other",
    "sheet_unknown": '"{what}" is no spreadsheet of ours; choose machines or parts',
    "not_a_calendar_day": '"{written}" is no day of the calendar; write it like 2026-12-04',
    "day_twice": '"{written}" names a day twice; write each once, like 12345',
    "name_but_for_case": (
        'there is "{other}" here already, and "{name}" differs from it by capital letters alone; use that '
        "name, or say confirmed_because"
    ),
    "device_sits_elsewhere": (
        "{device} sits on {machine} ({housing}) now, which would lose it; correct the machine, or, to move "
        "it from now on, say confirmed_because, or from when on: assigned_from"
    ),
    "named_twice": '"{name}" is named twice, as entries {first} and {second} of the list; name it once',
    "not_a_time_zone": '"{written}" is no time zone; write it like Europe/Vienna, or UTC',
    "not_a_plain_instant": '"{written}" is a leap second or finer than a microsecond; send a plain instant',
    "not_printable": "it has characters that cannot be printed; leave them out",
    "still_used": "{kind} {name} is used by {many}: {by}; move them first",
    "space_at_an_end": "it begins or ends with a space; leave that out",
    "limit_unlikely": (
        "{value} {unit} is outside what engine makers state, {low_kpa:g} to {high_kpa:g} kPa; check value "
        "and unit, or say that it is printed like that"
    ),
    "value_not_decimal": ('"{text}" is not a number; write it with digits and one comma or point, like 6.2'),
    # requests that are refused: bodies, batches and bundles
    "beyond_the_mark": (
        "{first} is not from 1 to {mark}: what is missing beyond the mark comes without being asked for"
    ),
    "above_the_highest": (
        "{first} is above {highest}, the highest number seen; give the first number that is wrong"
    ),
    "below_highest": (
        "{number} is below {highest}, and a reading or a shed range with that number is here; give {highest} "
        "or more, or, where that number was mistyped, first take it out: POST /v1/quarantine/misnumbered"
    ),
    "block_of_another_device": "block {block} speaks of device {other}, the bundle is of {device}",
    "body_unfolds_too_large": "the body unfolds to more than {most} bytes; send fewer readings at once",
    "bundle_not_authentic": "no block of the bundle was taken: {because}",
    "bundle_unreadable": "{why}",
    "coding_broken": "the body is not whole {coding} ({why}); compress it again",
    "coding_not_supported": 'content coding "{coding}" is not supported; send {accepted}, or none',
    "coding_of_bundle": (
        'content coding "{coding}" is not for bundles, they are compressed; send it as it is'
    ),
    "device_unknown": (
        "device {device} is not registered, and the quarantine has {quarantined} of unregistered devices, at "
        "most {most}; register the device, then send again"
    ),
    "drill_database_refused": (
        "the database server made no database for the drill ({said}); give its user the right to: "
        "ALTER ROLE name CREATEDB"
    ),
    "durability_weak": (
        "the database keeps less than --durability asks for: {reasons}. Or serve all the same with "
        "--weak-durability warn"
    ),
    "fsync_off": (
        "fsync is {fsync}: a power cut may lose acknowledged readings or the whole database; set it to on"
    ),
    "full_page_writes_off": (
        "full_page_writes is {full_page_writes}: a power cut may leave half-written pages; set it to on"
    ),
    "migration_awaits_standby": (
        "the new schema waits until a standby of synchronous_standby_names confirms it; start a standby, and "
        "this goes on by itself"
    ),
    "no_standby_named": (
        "synchronous_standby_names is empty: no commit waits for a second machine; name a standby, like "
        "'ANY 1 (second, third)'"
    ),
    "standby_did_not_confirm": (
        "the database has it, and no standby confirmed that it has it too ({warning}); send it again later"
    ),
    "standby_of_sqlite": (
        "a SQLite file has no standby, so --durability standby cannot be kept; use PostgreSQL, or "
        "--durability disk"
    ),
    "standby_for_reads_of_sqlite": (
        "a SQLite file has no standby; leave out --standby-for-reads, or use PostgreSQL for both"
    ),
    "standby_not_awaited": (
        "synchronous_commit is {synchronous_commit}: a commit does not wait until a standby has it on its "
        "disk; set it to on"
    ),
    "digest_differs": "the body differs from its {digest}; send it again",
    "digest_malformed": '"{item}" is not an item of Content-Digest',
    "digest_unknown": "Content-Digest has no sha-256 or sha-512; send one, or none",
    "event_name_needed": "send the name of the event, 1 to 64 printable characters",
    "event_nameless": "an event has no name; see errors",
    "not_lower": _not_lower,
    "stream_bound": "stream {stream} belongs to another device than {device}; open a new stream for it",
    "stream_elsewhere": "stream {stream} is written by another installation; open a new one",
    "stream_forked": (
        "stream {stream}: the server has seen number {highest}, the gateway says it gave only "
        "{appended_through}; open a new stream for what comes now"
    ),
    "too_many_gaps": (
        "the stream would have {ranges} separate ranges beyond its mark, at most {most}; nothing of the "
        "batch was stored; send the missing numbers first, or declare them shed"
    ),
    "type_not_supported": "{shown} is not what this address takes; send Content-Type: {wanted}",
    # requests that are refused: quarantine
    "change_does_not_fit": (
        "the change does not fit {not_fitting} of {entries}; leave out what it does not fit"
    ),
    "device_or_machine": "give either device or machine; it says whose the second reading is",
    "entries_or_where": "give either entries or where; they say which quarantined readings are meant",
    "nothing_left": "without {quantities} nothing of it is left; discard it",
    "has_none_of": "it has none of {quantities}; name a quantity it has",
    "last_below_first": "last {last} is below first {first}",
    "no_second_readings": "{not_fitting} of {entries} cannot be second readings; leave them out",
    "no_suggestion": "the server has no suggestion for it; give the change yourself",
    "not_one_device": "{machine} {housing} has {there} as its device; name one as device",
    "no_first_stored": "{not_fitting} of {entries} cannot take the place of a first reading; leave them out",
    "not_the_only_second": (
        "the first reading of this number is not stored, or several others have the number, or it is no "
        "second reading that can be read"
    ),
    "not_one_reading": "{not_fitting} of {entries} are not shown to be readings sent twice; leave them out",
    "not_shiftable": '"{at}" is a leap second or finer than a microsecond; it cannot be shifted',
    "not_the_same_reading": (
        "no gateway declared a copied spool with it, or values or times differ, or its second is not stored"
    ),
    "not_undoable": (
        "entries of amendment {amendment} were changed again since, last by {later}; undo first what was "
        "done since"
    ),
    "undone_already": "amendment {amendment} was undone at {at}; there is nothing left to undo",
    "entries_of_others": (
        "{gone} of {entries} entries of amendment {amendment} went to another owner with their machine; it "
        "cannot be undone"
    ),
    "entry_settled": (
        "entry {entry} is settled already, it is {state}; list the quarantine again, or undo the amendment "
        "that settled it"
    ),
    "has_offset": '"{at}" has an offset from UTC already; leave offset out, or give shift_s',
    "changed_since_preview": (
        "other entries are meant than in the preview, or one of them changed since; preview again, look, and "
        "apply that"
    ),
    "number_has_no_other": "no other reading has its number; amend or discard it",
    "record_only_discarded": "it is a record that the server cannot read; it can only be discarded",
    "record_unreadable": "it is a record that cannot be read; discard it",
    "time_is_right_alone": (
        "time_is_right says that the reading stays as it is; send no other change beside it"
    ),
    "numbers_taken": (
        "amendment {amendment} took readings out of their stream, and another reading has one of their "
        "numbers by now; they stay on record as given up"
    ),
    "too_many_misnumbered": (
        "{readings} readings are here from number {first} on, at most {most} may leave at once; so many are "
        "no mistyped number: declare the numbers between them and the mark shed"
    ),
    "up_to_the_mark": (
        "{first} is not above {mark}: every number up to that is acknowledged and stays; set aside or "
        "discard a wrong reading there"
    ),
    "too_many_numbers": "{asked} at once, at most {most}; split it",
    # requests that are refused: fleet, element changes, acceptance, figures
    "nothing_corrected": (
        "entry {entry_id} says that already; give another changed_at, to_machine or to_housing"
    ),
    "change_ahead": "{at} is in the future (now {now}); enter the change after it was made",
    "found_answered": (
        'what was done at {at} was entered before, as "{what}" by {by}; take that entry back first, or '
        "leave it"
    ),
    "change_differs": (
        'a change at {at} ({what}) is entered already, by {by} with the note "{note}"; take it back '
        "(DELETE) to enter it with another"
    ),
    "change_long_ago": "{at} is more than ten years ago; check the year",
    "clean_not_above_zero": (
        "a new element at full flow reads above 0; read the gauge again, or leave the comparison out"
    ),
    "clock_in_seconds": 'unit "{unit}" is not accepted for clock; send "s"',
    "comparison_needs_value": "{subject} needs value and unit: {asks}",
    "comparison_without_value": "{subject} is only seen; leave value and unit out",
    "denied_without_reason": (
        "a change that was found is denied without a reason; say in the note why the level fell"
    ),
    "docs_not_built": (
        "the documents of this version are not built here; have a person at the server run: "
        "cleanside-ingest docs build"
    ),
    "device_taken": (
        "device {device} belongs to another key; choose another name, or ask an operator or admin to "
        "register it"
    ),
    "figures_unusual": '{figures}. Correct it, or send "figures_are_right": true',
    "fitted_ahead": "{since} is in the future (now {now}); give the time at which it was fitted",
    "fuel_price_unusual": (
        "{price_per_l:g} a litre: an element at {element_price:g} would cost as much as {litres:.3g} l of "
        "fuel; {least_l:g} to {most_l:g} l are usual"
    ),
    "fuel_unusual": (
        "{l_per_h:g} l/h is more than {most_l_per_h:g}, about what a genset of 2 MW burns at full load"
    ),
    "limit_not_entered": ("no change limit is entered, so none can be confirmed; enter it at {address}"),
    "limit_out_of_reach": _limit_out_of_reach,
    "machine_of_all_sites": "only who sees all sites adds a machine; ask the shop or an admin to add it",
    "machine_name_taken": "there is a machine {name} here already; give another name",
    "name_taken": "there is a {what} {name} here already; accept it under another name",
    "device_not_on_housing": (
        "{device} does not sit on housing {housing} of {machine}; name devices that sit there now, without "
        "the one that comes"
    ),
    "not_seated_then": (
        "the device does not sit on this housing at {at}; give assigned_from, or with_history: true where "
        "all readings before belong to this housing"
    ),
    "not_transferable": "machine {machine} is this owner's already",
    "seat_ends_before": "assigned_until {until} is not after assigned_from {start}",
    "seat_ends_long_ago": (
        "{at} lies before every reading of the device, so all {hours:,} hours with readings would leave this "
        "machine; check the year, or give assigned_from too if that is meant"
    ),
    "seat_too_far_ahead": "{at} is more than {days} days ahead; check the year",
    "several_entries_at": "{entries} at {at}: {every}; name one as entry_id",
    # the site that it resembles is said on pages: to a program every unknown name is answered alike
    "crew_unknown": '"{crew}" is no crew here; check the name, or make the crew first: POST /v1/crews',
    "site_unknown": '"{site}" is no site here; check the name, or make the site first: POST /v1/sites',
    "start_or_history": "give assigned_from or with_history, not both",
    "terminal_differs": (
        "{value:g} {unit} is entered ({kpa:.2f} kPa), {read_value:g} {read_unit} ({read_kpa:.2f} kPa) was "
        "read; give value and unit as printed. If they differ, check again and set the right one "
        "at {address}"
    ),
    "unit_does_not_measure": _unit_does_not_measure,
    "nothing_to_take_back": (
        "nothing with the id {entry_id} is entered for {machine}, or it was taken back before"
    ),
    "nothing_of_plan_stands": (
        "no day of a plan accepted at {at} stands as it was accepted; change single days on the work list"
    ),
    "nothing_to_correct": "no work on an element has the id {entry_id} at {machine}; list the entries there",
    "unknown_element_change": "no element change at {at} is entered for {housing}",
    "unknown_housing": '{machine} has no housing "{housing}", it has {there}; name one of them as housing',
    "unknown_name": 'there is no {what} "{name}" here; check the name',
    # requests that are refused: parameters, pages, webhooks
    "cursor_not_of_list": (
        "cursor is not one of this list; take it from `next` of the page before, with equal parameters"
    ),
    "cursor_too_old": "this cursor is of {at}, now {now}; start again without cursor",
    "export_has_no_pages": "a {format} export is whole; leave limit and cursor out",
    "no_such_document": "there is no document {name}; see /docs",
    "no_such_parameter": "there is no such parameter here; there are {there}",
    "no_such_quantity": '"{quantity}" is no quantity; there are {there}',
    "no_such_type": 'there is no type "{type}"; there are {there}',
    "no_way_to_person": (
        "the person has no address, or the server has no mail server; choose an address, and have an "
        "admin set smtp_host"
    ),
    "not_an_address_of_mail": '"{address}" is no address of e-mail; write it like mara@shop.example',
    "parameter_repeated": "{name} is given {times} times ({values}) and takes one value; give it once",
    "parameters_unknown": "{parameters} that this address does not have; see errors",
    "quantity_not_asked_for": '"{quantity}" is not asked for; there are {there}',
    "quiet_hours_half": (
        "quiet hours have a beginning and an end; send quiet_from and quiet_until, or null for both"
    ),
    "span_ends_before": (
        "{since_name} {since} is after {until_name} {until}, so nothing lies between; change one of the two"
    ),
    "code_not_known": '"{given}" is no code for which a reading is quarantined; give one of {known}',
    "resolution_too_long": "{resolution} is over {most_s}s, 31 days",
    "too_many_calendars": "there are {most} calendars, which is the most a person has; end one first",
    "too_many_webhooks": "there are {most} webhooks, which is the most an owner has; end one first",
    "unit_not_of_quantity": '"{unit}" is no unit of {quantity}; there are {there}',
}
