"""
Every code that a client may meet, its title, and what to do about it in one sentence.

Promises: codes are stable. A problem carries its sentence as `next_step`; a quarantined reading as
`what_to_do`; the OpenAPI description has both tables.
Leaves to others: raising a code (`ingest.errors`, `ingest.checking.checks`).
"""

from __future__ import annotations

from collections.abc import Mapping

from cleanside.ingest.checking import checks

#: code of a problem -> title; a title says the kind, the detail says the case.
TITLES: Mapping[str, str] = {
    "http_malformed": "The request is not HTTP/1.1",
    "http_not_supported": "This of HTTP is not supported",
    "head_too_large": "The head of the request is too large",
    "request_too_slow": "The request did not arrive in time",
    "too_many_connections": "Too many connections",
    "body_not_json": "The body is not JSON",
    "not_a_batch": "The body is not a batch",
    "not_valid": "The request is not valid",
    "not_found": "There is nothing here",
    "method_not_allowed": "The method is not for this address",
    "body_too_large": "The body is over the limit",
    "coding_not_supported": "The content coding is not supported",
    "type_not_supported": "The media type is not supported",
    "coding_broken": "The body does not decompress",
    "digest_differs": "The body is not what its digest says",
    "digest_not_supported": "The digest cannot be checked",
    "key_unknown": "No valid key",
    "key_expired": "The key has ended",
    "last_admin_key": "The last admin key that lasts",
    "not_rotatable": "The key cannot be replaced now",
    "key_suspended": "The key waits for a person to confirm it",
    "session_ended": "The session is over",
    "cross_site": "The request came from another site",
    "sign_in_refused": "Name and password do not fit",
    "password_not_usable": "The password cannot be used",
    "person_suspended": "The person waits for somebody at the server",
    "oidc_refused": "The provider's answer does not hold",
    "identity_taken": "The identity is another person's",
    "passkey_refused": "The passkey does not fit",
    "passkeys_not_here": "No passkeys at this address",
    "public_address_not_set": "No link without a sure address",
    "unknown_passkey": "Unknown passkey",
    "invitation_not_valid": "The link is not valid",
    "last_admin": "The last admin who can sign in",
    "resend_without_gateway": "No gateway would send again",
    "too_many_confirmations": "Too many links to new addresses",
    "no_visit_plan": "There is no plan of visits as it was asked for",
    "planned_since": "Another day was planned since you looked",
    "nothing_of_plan_stands": "No day of the plan stands as it was accepted",
    "plan_outdated": "The plan of visits is outdated",
    "site_not_yours": "The site is not one of yours",
    "unknown_person": "Unknown person",
    "unknown_session": "Unknown session",
    "unknown_calendar": "Unknown calendar",
    "too_many_calendars": "Too many calendars",
    "unknown_matter": "Unknown matter",
    "unknown_part_order": "Unknown order of parts",
    "limit_changed_since": "The limit was changed since",
    "order_stays_closed": "The order stays closed",
    "unknown_message": "Unknown message",
    "no_way_to_person": "There is no way to the person",
    "key_not_for_device": "The key is not for this device",
    "role_not_allowed": "The role does not allow this",
    "device_unknown": "The device is not registered",
    "device_taken": "The device belongs to another key",
    "stream_bound": "The stream belongs to another device",
    "stream_forked": "The stream was copied or restored",
    "too_many_gaps": "Too many gaps",
    "unknown_stream": "Unknown stream",
    "unknown_machine": "Unknown machine",
    "unknown_housing": "Unknown housing",
    "unknown_device": "Unknown device",
    "unknown_site": "Unknown site",
    "unknown_crew": "Unknown crew",
    "still_used": "Something still belongs to it",
    "sheet_faulty": "The file has faults",
    "unknown_key": "Unknown key",
    "unknown_entry": "Unknown quarantine entry",
    "unknown_amendment": "Unknown amendment",
    "unknown_spreadsheet": "Unknown spreadsheet",
    "unknown_webhook": "Unknown webhook",
    "unknown_element_change": "Unknown element change",
    "nothing_to_take_back": "There is no such entry to take back",
    "entry_differs": "The entry was made differently before",
    "change_differs": "The element change was entered differently",
    "too_many_webhooks": "Too many webhooks",
    "webhook_key_missing": "No key to encrypt the webhook's secret with",
    "changed_since_preview": "The entries changed since the preview",
    "not_undoable": "The amendment cannot be undone now",
    "change_does_not_fit": "The change does not fit the readings",
    "terminal_differs": "The change limit was read differently",
    "code_not_valid": "The code is not valid",
    "code_for_another_device": "The code is for another device",
    "over_quota": "Over the quota",
    "unknown_enrolment": "Unknown enrolment",
    "unknown_correction": "Unknown boot correction",
    "unknown_transfer": "Unknown transfer",
    "name_taken": "The name is taken",
    "not_transferable": "The machine cannot be transferred now",
    "bundle_unreadable": "The file is no bundle",
    "bundle_not_authentic": "The bundle was not made with a valid key of its device",
    "bundle_cut_short": "The bundle is cut short",
    "bundle_altered": "The bundle was altered",
    "overloaded": "The server has too much to do",
    "fleet_being_worked_out": "The fleet is being worked out",
    "docs_not_built": "The documents are not built",
    "store_unavailable": "The store is unavailable",
    "store_full": "The server's disk is full",
    "standby_away": "No second machine confirms it",
    "store_read_only": "The server's store can only be read",
    "server_broken": "The server is broken",
}

#: code of a problem -> what to do
NEXT_STEPS: Mapping[str, str] = {
    "http_malformed": "send one HTTP/1.1 request at a time, as RFC 9112 has it; use an HTTP library",
    "http_not_supported": "send HTTP/1.1, and a body with Content-Length or Transfer-Encoding: chunked",
    "head_too_large": "send fewer or shorter header fields and query parameters",
    "request_too_slow": "send again over a better link, or less at once",
    "too_many_connections": "close connections that are not used, then connect again",
    "body_not_json": "correct the body; JSON as RFC 8259 has it: UTF-8, no duplicate keys, no NaN",
    "not_a_batch": (
        "nothing of the batch was stored; correct what errors names, or leave those readings out, and send "
        "the rest again; a batch is as /openapi.json describes it"
    ),
    "not_valid": "correct what errors names",
    "not_found": "check the address against /openapi.json",
    "method_not_allowed": "use one of the methods in the header Allow",
    "body_too_large": "send less at once; a gateway halves the batch",
    "coding_not_supported": "send zstd, gzip, or no content coding",
    "type_not_supported": "send the media type named in the header Accept-Post",
    "coding_broken": "compress the body again and send it whole",
    "digest_differs": "send again; something on the way changed the body",
    "digest_not_supported": "send a sha-256 or sha-512 in Content-Digest, or none",
    "key_unknown": "send Authorization: Bearer KEY with a key that is not revoked; an admin makes one",
    "key_expired": "use the key's successor, or have an admin make a new key",
    "last_admin_key": "make another admin key without an end first, then do it again",
    "not_rotatable": "do what detail says",
    "key_suspended": "have a person at the server run: cleanside-ingest keys confirm HANDLE",
    "session_ended": "sign in again; nothing that waits on a phone is lost",
    "cross_site": "open the pages of this server and do it there; a program uses a key",
    "sign_in_refused": "type name and password again, or ask an admin for a new link",
    "password_not_usable": "choose another password as detail says",
    "person_suspended": "have a person at the server run: cleanside-ingest people confirm NAME",
    "passkey_refused": "try again, or sign in with the password",
    "public_address_not_set": "have public_address set on the server, then send it again",
    "passkeys_not_here": "open the pages under a name over https, or under localhost; else use the password",
    "unknown_passkey": "list your passkeys again; it may be removed already",
    "invitation_not_valid": "ask whoever made the link for a new one",
    "last_admin": "invite another admin for all sites first, then do it again",
    "resend_without_gateway": "have whoever posts its readings post them again; what is here is a duplicate",
    "too_many_confirmations": "use the link that was sent last, or wait a day",
    "no_visit_plan": "the detail says what is missing; correct it and ask again",
    "planned_since": "look at the plan as it is now; to replace it, send yours with its planned_at",
    "nothing_of_plan_stands": "look at the planned days on the work list, and change them one by one",
    "plan_outdated": "ask for the plan again, look at what changed, and accept that one",
    "site_not_yours": "name sites of yours, or ask an admin for all sites",
    "unknown_person": "check the name against the list of people",
    "unknown_session": "list your sessions again; it may be over already",
    "key_not_for_device": "use a key that is bound to this device",
    "role_not_allowed": (
        "use a key of one of the roles that detail names; a person asks an admin for the role"
    ),
    "device_unknown": "register the device, then send again",
    "device_taken": "choose another name, or have the owner's admin settle it",
    "stream_bound": "open a new stream for this device",
    "stream_forked": "open a new stream; append to it what is reported as conflicting under the old one",
    "too_many_gaps": (
        "send the missing numbers, lowest first, or declare those shed that there are not; then this batch "
        "again. Number readings 1, 2, 3 without a gap"
    ),
    "unknown_stream": "send the stream from its first number that you still have",
    "unknown_machine": "check the name, or register the machine",
    "unknown_housing": "check the name, or add the housing to its machine",
    "unknown_device": "check the name, or register the device",
    "unknown_site": "check the name, or make the site first: POST /v1/sites",
    "unknown_crew": "check the name, or make the crew first: POST /v1/crews",
    "oidc_refused": "begin again; if it stays, tell who runs the server",
    "identity_taken": "sign in with it, or use another identity at the provider",
    "still_used": "move what detail names elsewhere, then delete it",
    "sheet_faulty": "correct the cells that errors names and bring the whole file again; nothing was taken",
    "unknown_key": "check the handle against the list of keys",
    "unknown_entry": "list the quarantine again; the entry may be settled already",
    "unknown_amendment": "check the number against the list of amendments",
    "unknown_element_change": "list the element changes of the housing; give the instant as listed",
    "nothing_to_take_back": "list the entries of the machine; it may be taken back already",
    "change_differs": "take the element change back and enter it again, or leave it as it is",
    "entry_differs": "make it a new entry with an id of its own, or leave it as it was taken",
    "unknown_calendar": "make a new calendar on the page Messages; the old one was ended",
    "too_many_calendars": "end a calendar that no program reads any more",
    "limit_changed_since": "look at the limit that is entered now, and enter the right one",
    "order_stays_closed": "correct the stock of the site, or enter a new order by hand",
    "unknown_part_order": "list the open orders again; it came or was dropped",
    "unknown_matter": "list the open matters again; it may be settled already",
    "unknown_message": "list the messages again; only one that was given up can be sent again",
    "no_way_to_person": "choose an address first, and have an admin see to the mail server",
    "unknown_spreadsheet": "check the number against the list of spreadsheets",
    "unknown_webhook": "check the number against the list of webhooks",
    "too_many_webhooks": "end a webhook that is not needed any more",
    "webhook_key_missing": "have the server's operator do what detail says, then register the webhook again",
    "changed_since_preview": "preview again, look at what changed, and apply that",
    "not_undoable": (
        "detail says why; undo a later amendment of the same entries first; one that is undone needs nothing"
    ),
    "change_does_not_fit": "leave out the entries that errors names, or change them otherwise",
    "code_not_valid": "ask the person who made the code for a new one",
    "code_for_another_device": "correct the device's name in the settings, or ask for a code for it",
    "over_quota": "wait as long as Retry-After says; a gateway does so by itself",
    "unknown_enrolment": "check the number against the list of enrolments",
    "unknown_correction": "check the number against the list of boot corrections",
    "unknown_transfer": "check the number against the list of transfers",
    "name_taken": "send the request again with another name; detail says which name is taken",
    "not_transferable": "do first what detail says",
    "bundle_unreadable": "bring the file that the gateway's export wrote, whole from its beginning",
    "bundle_not_authentic": "export again on the machine, with a valid key of the device",
    "bundle_cut_short": "import the whole file, or export again; blocks that were taken count as repeats",
    "bundle_altered": "export again on the machine; the blocks before the altered one are stored",
    "terminal_differs": "read gauge or manual again, then correct the limit or the second reading",
    "overloaded": "send again after Retry-After; nothing was acknowledged",
    "fleet_being_worked_out": "ask again after Retry-After; what is worked out already is kept",
    "docs_not_built": "have a person at the server run: cleanside-ingest docs build",
    "store_unavailable": "send again after Retry-After; nothing was acknowledged",
    "store_full": "make room on the server's disk; gateways keep their readings and send again by themselves",
    "standby_away": (
        "start a standby of the database again; gateways keep their readings and send again by themselves"
    ),
    "store_read_only": "make the server's disk or database writable; gateways send again by themselves",
    "server_broken": "send again later; nothing was acknowledged; report the request_id",
}

#: code of a quarantined reading -> what to do
HELD_CODES: Mapping[str, str] = checks.CODES


_NEW_CODE = (
    "make a code on the page Monitors (POST /v1/enrolments) and enrol its gateway with it, or retire the "
    "monitor; its readings wait there"
)
#: code of a line of /v1/attention -> what to do; codes of quarantined readings as in their own table
ATTENTION_STEPS: Mapping[str, str] = {
    **HELD_CODES,
    "server_clock_behind": (
        "do not shift these readings before the server's clock is compared with a right one there "
        "(timedatectl): many monitors are ahead alike, or the server's clock went back. If it is behind now, "
        "set it: the readings are then stored by themselves, as sent. If it was ahead before and is right "
        "now, gateways that took its time are ahead too: they correct it by themselves within two hours "
        "(boot_contradicted), or a person does: cleanside-gateway tell-time; then shift these readings back. "
        "Where neither is so, set the machines' clocks"
    ),
    "key_revoked": _NEW_CODE,
    "key_expired": _NEW_CODE,
    "key_suspended": (
        "confirm its key at the server: cleanside-ingest keys confirm HANDLE; its readings wait there"
    ),
    "keyed_off": "none as long as the machine is parked on purpose; else ask the site",
    "out_of_coverage": "bring the machine into coverage, or carry its backlog as a bundle",
    "device_fault": "have the monitor looked at; its gateway reported a fault",
    "unknown": "look at the machine: power, gateway, aerial; run cleanside-gateway status there",
    "program_silent": (
        "no gateway sends it: look at the program that posts its readings, its log and its key; then at what "
        "measures on the machine"
    ),
    "backlog_arrives": (
        "none while old readings arrive; where new ones are expected, ask whoever runs the program that "
        "posts them"
    ),
    "never_heard": "finish the installation, or check the key of the gateway",
    "sits_nowhere": (
        "its readings count for no machine: POST /v1/devices/{device}/assignments puts it on one, with "
        "assigned_from for readings that are here; or retire it"
    ),
    "pending": "wait for the gateway to send; if no data arrives, carry its backlog as a bundle",
    "gap": (
        "run cleanside-gateway verify and rewind on the machine; a program of your own sends the missing "
        "numbers, or declares them shed; a number that was mistyped far ahead is taken out on the page "
        "Backlog (POST /v1/quarantine/misnumbered); GET /v1/streams/{stream} lists the gaps"
    ),
    "copied_reading": (
        "a copied spool sent these readings twice, under two times: discard the second ones by "
        "POST /v1/quarantine/discards with same_reading; look at the preview first"
    ),
    "clock_stepped": (
        "times of a stream do not step back by more than half an hour while its numbers run on: compare the "
        "readings on both sides of the number with the work of the machine; where its clock was wrong, set "
        "these readings aside (POST /v1/quarantine/set-aside) and shift them by what it was wrong (shift_s "
        "of POST /v1/quarantine/amendments), and set the clock; none for recorded history, or for readings "
        "of a copied or restored disk"
    ),
    "readings_lost": "check the disk of the gateway: it took no writes for too long",
    "readings_damaged": "check the disk of the gateway; the numbers are shed with reason damaged",
    "readings_in_part": (
        "run cleanside-gateway status on the machine; its source sends members that are no quantity of its "
        "settings, or no number"
    ),
    "readings_refused": "run cleanside-gateway status on the machine; its source sends what no server takes",
    "spool_replaced": "check the disk of the gateway; it set a damaged file aside and keeps it",
    "spool_aside_deleted": "none: a damaged file that was read to its end made room on a full disk",
    "spool_copied": (
        "where a second machine runs on a copy, enrol it as a device of its own; "
        "none where the disk moved or came back"
    ),
    "spool_salvaged": "none: the rest of a damaged file was carried over",
    "spool_tail_lost": "check the disk of the gateway; the missing numbers are declared shed",
    "spool_tail_unknown": "check the disk of the gateway; its last readings are unknown",
    "stream_opened": "none, if the disk was restored or copied on purpose",
    "boot_contradicted": (
        "this server told the gateway two times that contradict each other: compare its clock with a right "
        "one (timedatectl) and set it. Where it is right now, wait two hours: the gateway then sends a "
        "correction (GET /v1/boot-corrections), or a person settles it on the machine: cleanside-gateway "
        "tell-time"
    ),
    "budget_warning": "bring the machine into coverage, or raise spool.budget_bytes",
    "version_differs": "update these gateways when they are at the shop",
    "other": "look at the device: GET /v1/devices/{device}",
}


def table(codes: Mapping[str, str]) -> str:
    """A table for the description (CommonMark, as OpenAPI 3.1 has it)."""
    rows = [f"| `{code}` | {sentence} |" for code, sentence in codes.items()]
    return "\n".join(["| code | what to do |", "| --- | --- |", *rows])
