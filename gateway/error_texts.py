"""
The sentence of every code that an error of the gateway has: value, rule and next step.

The errors themselves are in `errors`. Another language is another table.
"""

from __future__ import annotations

from cleanside.gateway import setting_texts
from cleanside.gateway.wire import Sentences, Values


def _unit_not_accepted(values: Values) -> str:
    hint = f' (did you mean "{values["likely"]}"?)' if values["likely"] else ""
    said = f'source {values["source"]}: {values["where"]}: unit "{values["unit"]}" is not accepted'
    return f"{said} for {values['quantity']}{hint}; one of {values['accepted']}"


#: code -> sentence
SENTENCES: Sentences = {
    # the service
    "command_hidden": (
        "{part} is below a folder that the unit cannot see (/home, /root, /tmp), so it would not start; "
        "install the package elsewhere (python3 -m venv /opt/cleanside) and run install-service from there"
    ),
    # the page beside the machine
    "beside_address_missing": (
        "beside.listen {listen} does not say where a phone finds the page; set beside.address, like "
        "http://192.168.4.1:8480"
    ),
    "beside_off": "the page beside the machine is off; set beside.listen, like 192.168.4.1:8480",
    "unit_folder_missing": "there is no folder {folder}; make it, or give another --folder",
    "label_kind_unknown": "{path} is neither .svg nor .png; give a name that ends so",
    "label_not_written": "{path} cannot be written ({why}); give a new name in a folder of yours",
    "package_missing_label": 'a QR code needs segno; install "cleanside[label]", or write the code by hand',
    # the spool
    "acknowledged_beyond": (
        "stream {stream} has numbers through {appended_through}, not {through}; acknowledge what was sent"
    ),
    "disk_full": (
        "{path}: {why}; free some MiB on this file system: the spool has deleted everything that it may"
    ),
    "disk_refuses": "{path}: {why}; check the disk and who may write there",
    "entries_full": (
        "{most} entries wait for the server already; bring the gateway into coverage, then enter it again"
    ),
    "file_replaced": "{path} was replaced while readings were on their way; append again",
    "file_vanished": "{path} has vanished; collection continues in a new file",
    "header_differs": "{path} was a spool, and its header has changed",
    "label_code_short": (
        "{file} has a code that is easy to guess; write one of at least {least} letters and digits, or "
        "remove the file: the gateway makes one"
    ),
    "lock_unwritable": "{path}: {why}; let uid {uid} write there, or set spool.path",
    "no_spool": "{path} does not exist; check spool.path and device",
    "no_spool_yet": "{path} does not exist; start the gateway once, or check spool.path and device",
    "no_stream_open": (
        "the spool file has no open stream, which a sound file always has; it was moved aside unchanged and "
        "a new file was started"
    ),
    "no_write_ahead_log": (
        '{path}: SQLite keeps no write-ahead log here (journal mode "{mode}"), and without it a power '
        "cut can undo a commit; check the disk, or give a spool.path on a local one"
    ),
    "not_a_spool": "{path} is not a spool; it was left as it is, give another spool.path",
    "not_as_written": "{path}: its content is not as it was written: {why}",
    "not_its_version": "{path} is not what its version {version} says ({why})",
    "not_readable": (
        "{path} is not readable as a spool ({why}); a running gateway moves it aside unchanged and "
        "continues in a new one"
    ),
    "number_below_one": "--from {number} is not a number from 1 up; see status for the numbers there are",
    "numbers_missing": (
        "stream {stream}: {missing} of {first_seq}..{last_seq} neither stored nor declared; the file was "
        "moved aside unchanged, and collection continues in a new one"
    ),
    "range_unknown": "{first}..{last} is not a range of numbers 1..{appended_through}; see status",
    "rewind_beyond": "stream {stream} has numbers through {appended_through}, not {number}; see status",
    "spool_a_database": (
        "{path} is a database but not a spool; it was left as it is, give another spool.path"
    ),
    "spool_a_folder": "{path} is a folder; it was left as it is, give another spool.path",
    "spool_busy": "{path}: {why}; another process holds it, try again",
    "spool_closed": "{path} is closed; open it again",
    "spool_empty": "{path} holds nothing yet; start the gateway once, it makes the spool there",
    "spool_in_use": "{path} is run by another process; stop that one, or give another spool.path",
    "spool_not_a_file": "{path} is not a regular file; it was left as it is, give another spool.path",
    "spool_of_another_device": (
        '{path} is the spool of "{other}", not of "{device}"; give each device its own file'
    ),
    "spool_unreadable": "{path} cannot be read ({why}); check the disk and who may read there",
    "sqlite_loses_commits": (
        "SQLite {version} can lose commits (WAL-reset bug); install apsw {least} or later"
    ),
    "stopped_while_waiting": "stopped while readings of {name} waited for the disk",
    "stream_open": "stream {stream} is open; fork it first",
    "tables_differ": (
        "{path}: its tables have changed; it was moved aside unchanged and a new file was started"
    ),
    "boot_not_in_spool": (
        "{path}: no gateway has run since this machine was started; start it, then tell the time again"
    ),
    "told_before_boot": (
        "by {kind}, the machine was last on until {ended}, which is later than its start would be by this "
        "time; check date, time and zone"
    ),
    "told_before_built": (
        "{told} lies before {built}, when this program was built; check date, time and zone"
    ),
    "told_known_better": (
        "the time is known already, by {kind}: {known}; nothing was changed. A better source corrects it"
    ),
    "told_not_an_instant": "--now: {why}",
    "told_within_beyond": (
        "--within {within_s:g} is not between {low:g} and {high:g} s; say how far the time may be off"
    ),
    "unknown_stream": "{path} has no stream {stream}; see status for those it has",
    "version_newer": (
        "{path} has version {version}, this program writes {this_version}; run the program that wrote "
        "it, or a later one"
    ),
    "version_older": (
        "{path} has version {version}, this program writes {this_version}; start the gateway once, it "
        "brings the file up"
    ),
    # readings
    "at_not_a_text": "at {at!r} is not an RFC 3339 text",
    "id_not_usable": "id is neither a text of at most {most} characters nor a whole number; send one",
    "line_too_long": "the line is longer than {most} bytes; send one object a line",
    "member_not_a_number": "{name} {value!r} is not a finite number; leave it out if unknown",
    "member_unknown": '"{name}" is not a quantity; {next_step}',
    "member_without_unit": '"{name}" has no unit in the settings; add it to {add_to}',
    "message_retained": "it was retained, and is no measurement of now; publish it as it is measured",
    "message_too_long": "it has {bytes} bytes; send at most {most}",
    "not_a_number": "{column} {text!r} is not a finite number",
    "not_a_quantity_name": (
        "{name!r} cannot be a quantity; give 1 to 64 characters from A-Z a-z 0-9 - : . _"
    ),
    "not_an_object": 'this is not an object; send it like {{"restriction": 3.05}}',
    "topic_unknown": "the topic is not among those of this source; add it to topics",
    "uncertainty_below_zero": (
        "at_uncertainty_s {at_uncertainty_s} is not from 0 up; leave it out if unknown"
    ),
    "uncertainty_not_a_number": "at_uncertainty_s {uncertainty_s!r} is not a number from 0 up",
    "unit_not_a_text": "unit {unit!r} of {name} is not a text of 1 to 64 characters; mend the source",
    "value_not_a_number": "{value!r} is not a finite number; send it like 3.05",
    "value_out_of_bounds": (
        "{value!r} is not a finite number within 2^53; leave the value out, or mend the source"
    ),
    # settings, keys and certificates
    **setting_texts.SENTENCES,
    "address_with_more": (
        'uplink.server "{address}" was given with more than host, port and path; remove the rest'
    ),
    "ca_file_empty": "{where}: ca_file {ca_file} holds no certificate ({why}); give one in PEM form",
    "certificate_missing": "{where}: certificate_key_file is set without certificate_file; set both",
    "certificate_unreadable": "{what} {file} cannot be read ({why}); check the name",
    "certificate_unusable": (
        "{where}: certificate_file {certificate_file} cannot be used ({why}); give certificate and key "
        "in PEM form, the key of that certificate"
    ),
    "device_not_set": (
        "device is not set; set --device, CLEANSIDE_GATEWAY_DEVICE or device in the settings file"
    ),
    "key_file_exists": "{key_file} is there already; move it away first, or name another key file",
    "key_file_unreadable": "{path} cannot be read ({why}); check uplink.key_file",
    "key_file_unwritable": "{path} cannot be written ({why}); check uplink.key_file",
    "key_has_odd_character": (
        "{where}: the key has a character that no key has; letters, digits and - . _ ~ + / are "
        "allowed, = at the end; copy it again as the server showed it"
    ),
    "key_in_the_clear": 'uplink.server "{address}" would carry the key in the clear; give https://',
    "no_code": "no code; type it, or give it by --code-file FILE or on standard input",
    "no_key": "no key for {device}; set uplink.key_file or {variable}",
    "not_an_address": (
        'uplink.server "{address}" is not an address; give it like "https://shop.example:8443"'
    ),
    "not_enrolled_yet": "not enrolled yet: {why}; run the same command again, the code is still good",
    "out_not_a_bundle": "{path}: {why}",
    "out_unwritable": "{path} cannot be written ({why}); give another --out",
    "secret_a_folder": "{file} is a folder; check {check}",
    "secret_empty": "{file} is empty; the secret belongs on its first line; check {check}",
    "secret_first_line_empty": (
        "{file} has an empty first line; the secret belongs on its first line; check {check}"
    ),
    "secret_more_than_one_line": (
        "{file} has more than one line; leave the secret in it and nothing else; check {check}"
    ),
    "secret_not_a_file": "{file} is not a regular file; check {check}",
    "secret_not_text": "{file} is not text in UTF-8; save it as such; check {check}",
    "secret_too_long": "{file} has more than {most} bytes, so it holds something else; check {check}",
    "secret_unreadable": "{file} cannot be read ({why}); check {check}",
    "server_and_key_needed": (
        "uplink.server and uplink.key_file say where to ask and where the key goes; set both"
    ),
    "server_refuses": "the server refuses: {detail}",
    "source_not_quoted": "a source is not quoted as in a shell ({why}); write it like: csv path=run.csv",
    "source_option_not_a_pair": 'source {use}: "{word}" is not key=value; write it like path=run.csv',
    "source_without_use": 'a source has no use; add use = "csv" or another one',
    "server_not_set": "uplink.server is not set; give it like https://shop.example:8443",
    "sources_not_a_list": "sources is not a list of tables; write each as [[sources]]",
    # sources
    "broker_away": "broker {host}:{port} does not answer ({why}); check host and port",
    "broker_lost": "the broker is lost: {why}",
    "broker_refuses_connection": "the broker refuses the connection: {why}; check user and password_file",
    "broker_refuses_topics": "the broker refuses {topics}; check the rights of this user",
    "broker_silent": "the broker says nothing for {waited_s:.0f} s; check host, port and tls",
    "bus_away": "bus {where}: {why}; check interface and channel",
    "certificates_without_tls": "source {source}: certificates are set without tls; set tls = true",
    "column_missing": (
        "source {source}: {path} has no column {missing}; it has {header}: mend columns, or delimiter"
    ),
    "columns_missing": 'source {source}: {name} is missing; give it like {name}.dp = "restriction kPa"',
    "controller_away": "{controller}: {why}",
    "file_empty": "source {source}: {path} is empty; its first line must name the columns",
    "modem_away": (
        "source {source}: ModemManager does not answer ({why}); see whether it runs, or leave the source out"
    ),
    "file_unreadable": "source {source}: {path} cannot be read ({why}); check path",
    "filter_unknown": "source {source}: filter {number:g} is not 1 to 4; J1939 knows four air filters",
    "host_or_serial": "source {source}: give host, or serial for a serial line; one of them",
    "member_tells_time": "source {source}: {where}: {reserved} tell the time and are no quantity",
    "no_time_of_rows": "source {source}: give time_column, or start with one of step_s and elapsed_column",
    "not_a_socket": "socket {path} is there and is no socket; remove it or give another path",
    "option_missing": "source {source}: {name} is missing; add it",
    "option_not_a_list_of_texts": "source {source}: {name} {value!r} is not a list of texts",
    "option_not_a_list_of_whole_numbers": (
        "source {source}: {name} {value!r} is not a list of whole numbers from {lowest} to {highest}"
    ),
    "option_not_a_switch": "source {source}: {name} {value!r} is neither true nor false",
    "option_not_a_table": "source {source}: {name} {value!r} is not a table",
    "option_not_a_text": "source {source}: {name} {value!r} is not a text",
    "option_not_a_whole_number": (
        "source {source}: {name} {value!r} is not a whole number from {lowest} to {highest}"
    ),
    "option_not_above": "source {source}: {name} {value!r} is not a number above {above:g}",
    "option_not_above_nor": (
        'source {source}: {name} {value!r} is not a number above {above:g}, nor "{none}"'
    ),
    "option_not_an_address": "source {source}: {name} {value!r} is not an address from 0 to 253",
    "option_not_one_of": "source {source}: {name} {value!r} is not one of {words}",
    "option_unknown": "source {source}: {options}: no such option; remove it",
    "own_address_missing": (
        "source {source}: ask_hours_every_s sends on the bus and needs own_address, one the maker "
        "allows; set both"
    ),
    "package_missing_j1939": 'source {source}: needs python-can; install "cleanside[j1939]"',
    "package_missing_modbus": 'source {source}: needs pymodbus; install "cleanside[modbus]"',
    "package_missing_mqtt": 'source {source}: needs paho-mqtt; install "cleanside[mqtt]"',
    "password_in_the_clear": (
        "source {source}: the password would go to {host} in the clear; set tls = true"
    ),
    "password_without_user": "source {source}: password_file is set without user; set both",
    "quantity_twice": "source {source}: columns: two columns for one quantity; keep one",
    "quantity_twice_in_topic": "source {source}: {where}: two members for one quantity; keep one",
    "quantity_unknown": 'source {source}: {where}: "{quantity}" is not a quantity; one of {quantities}',
    "registers_missing": (
        "source {source}: registers is missing; give a table registers.restriction with unit and address"
    ),
    "socket_in_use": "socket {path} is served by another process; stop that one or give another path",
    "socket_not_made": (
        "socket {path} cannot be made ({why}); give a path of at most 107 bytes in a folder that uid "
        "{uid} may write to"
    ),
    "socket_unreadable": "socket {path} cannot be looked at ({why}); remove it or give another path",
    "start_not_an_instant": "source {source}: start {why}",
    "teller_not_a_name": 'source {source}: tells_time "{teller}" is not a name; give it like "gps"',
    "topic_meaning_unknown": (
        'source {source}: {where} {meaning!r} is neither "quantity unit" nor a table of such'
    ),
    "topic_not_one": 'source {source}: topic "{topic}" is a pattern or empty; name each topic',
    "topics_missing": (
        'source {source}: topics is missing; give it like topics."genset/intake" = "restriction kPa"'
    ),
    "unit_not_accepted": _unit_not_accepted,
    "units_missing": 'source {source}: {name} is missing; give it like {name}.restriction = "kPa"',
    "unknown_source": 'sources: use "{use}" is not a source; there are: {known}. A new one needs pip install',
}
