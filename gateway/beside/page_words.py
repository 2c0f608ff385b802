"""
The words of the gateway's page, German and English, by code. Places in braces are filled in by the page.

Promises: both languages have the same codes (`tests/unit/gateway/beside/test_page_words.py`), and every code
that the checks say is among them. Leaves to others: numbers, units, ages (`gateway.beside.spot_page`).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

LANGUAGES: Final = ("en", "de")

EN: Final[Mapping[str, str]] = {
    # the door
    "door_title": "Beside the machine",
    "door_which": "This is the restriction monitor {device}.",
    "door_code": "Code on the label",
    "door_open": "Show the values",
    "door_wrong": "That is not the code on the label. Letters and digits, without the hyphen if you like.",
    "door_wait": "Too many wrong codes. Try again in {seconds} s.",
    # the page
    "live": "Live value",
    "no_value": "No reading yet. Turn the key on; the first one takes about a minute.",
    "measured": "measured {age} ago, by this monitor",
    "other_values": "Other values",
    "waiting": "Readings waiting on the gateway",
    "oldest": "The oldest waits since",
    "entries_waiting": "Entries waiting on the gateway",
    "link_state": "Link to the shop",
    "link_works": "works",
    "link_none": "none set, collects only",
    "link_failing": "fails for {age}",
    "waits": "Waits for {what}, for {age}",
    "waits_link": "a way to the server",
    "waits_server": "the server",
    "waits_key": "a person: the server refuses the key",
    "waits_disk": "the disk",
    "waits_clock": "the time (GPS, network time or the server)",
    "waits_readings": "new readings",
    "checks": "Checks at the machine",
    "checks_failed": "{failed} of {all} checks failed",
    "checks_open": "{open} of {all} checks open",
    "checks_passed": "All checks at the machine passed",
    "checks_rest": "Change limit, clean level and ambient pressure are judged at the shop.",
    "signal_now": "{level} dBm now.",
    "signal_title": "Signal over the last minutes",
    "make_entry": "Make an entry",
    "advice": "Advice only. The engine maker’s manual and the indicator in the cab come first.",
    "not_live": "The page is not up to date: the gateway does not answer.",
    # entries
    "entry_title": "What was done here",
    "entry_what": "What",
    "entry_choose": "Choose",
    "entry_done_ago": "{age} ago",
    "what_new": "new element",
    "what_cleaned": "element cleaned and put back",
    "what_inspected": "element inspected and put back",
    "what_safety_element": "safety element replaced",
    "entry_who": "Your name",
    "entry_note": "Note (may stay empty)",
    "entry_ago": "How many minutes ago",
    "entry_save": "Keep this entry",
    "entry_back": "Back to the values",
    "entry_kept": "Kept on this gateway, and sent to the shop as soon as there is a link.",
    "entry_question": "At the shop it is a question until a person or the readings confirm it.",
    "entry_state_waiting": "on this gateway, not yet at the shop",
    "entry_state_sent": "at the shop",
    "entry_list": "Entries made here",
    "back_take": "Take back",
    "back_title": "Take a wrong entry back",
    "back_why": "Why (may stay empty)",
    "back_then": (
        "Both stay on this gateway, also with the key off, and go to the shop in order as soon as there is a "
        "link. Until then the shop does not know of it. There the entry counts no more. If somebody at the "
        "shop confirmed it meanwhile, it stands, and their page says who took it back here."
    ),
    "back_save": "Take this entry back",
    "back_instead": "If other work was done, make an entry for that.",
    "back_not": "Leave it as it is",
    "back_kept": "Taken back. Kept on this gateway, and sent to the shop as soon as there is a link.",
    "back_by": "Taken back by {by}",
    "back_gone": "This gateway no longer has that entry. It can be taken back at the shop.",
    "entry_caution_title": "Before the housing is opened",
    "entry_caution": (
        "Engine off, key out, secured against starting. Never run the engine with the element out."
    ),
    "fault_what": "Choose what was done.",
    "fault_who": "Write your name: 1 to 60 characters.",
    "fault_note": "At most 400 characters that can be printed.",
    "fault_ago": "A whole number of minutes from 0 to 1440 (a day). Older: enter it on the shop’s pages.",
    "fault_full": "The disk takes no entry now: {why}. It is not kept. Write it down, or try again.",
    "fault_count": "Not kept yet. {count} to put right.",
    # states
    "passed": "passed",
    "failed": "failed",
    "not yet seen": "open",
    # the checks
    "supply voltage": "Supply voltage",
    "key-off": "Power goes off with the key",
    "clock": "Clock",
    "link": "Readings reach the shop",
    "zero with the engine off": "Zero with the engine off",
    "restriction answers the engine": "Restriction follows the engine",
    "supply_not_reported": "No supply voltage reported.",
    "supply": "{middle_v} V, from {low_v} to {high_v} V.",
    "supply_of_system": "{middle_v} V, from {low_v} to {high_v} V: a {system_v} V system.",
    "supply_running": "Engine running: {middle_v} V, from {low_v} to {high_v} V.",
    "supply_running_of_system": (
        "Engine running: {middle_v} V, from {low_v} to {high_v} V: a {system_v} V system."
    ),
    "read_on_at_rest": "Readings went on for {stayed_min} min with the engine at rest.",
    "power_has_not_gone": "Power has not gone off yet.",
    "power_cycled": "Power went off and came back; times seen: {times}.",
    "time_known": "Times are right within {uncertainty_s} s, by {anchor}.",
    "anchor_gps": "GPS",
    "anchor_ntp": "network time",
    "anchor_person": "a person's word",
    "anchor_server": "the shop's server",
    "time_not_known": "Clock accuracy unknown.",
    "link_fails_now": "There is no link now, for {age}: readings wait on the gateway and go later.",
    "nothing_arrived": "The server has acknowledged nothing since the gateway started.",
    "acknowledged": "Acknowledged since the gateway started: {readings}.",
    "acknowledged_with_gaps": "Acknowledged: {readings}. Missing: {missing}.",
    "rest_not_seen": "No reading with the engine known to be at rest.",
    "at_rest": "{zero_pa} with the engine at rest.",
    "idle_not_seen": "No reading at idle yet.",
    "high_idle_not_seen": "No reading at high idle yet.",
    "idle_and_high_idle": "{low_pa} at idle, {high_pa} at high idle.",
    "one_speed_rest_not_seen": "It runs at one governed speed. No reading at rest yet.",
    "rest_and_one_speed": "{rest_pa} at rest, {run_pa} at its governed speed.",
    "do_report_supply": "Let the monitor report its supply voltage.",
    "do_check_feed": (
        "Neither a 12 V nor a 24 V system: check feed, fuse and earth point by the machine maker’s "
        "instructions. Electrical work by qualified people."
    ),
    "do_check_contact": (
        "A {system_v} V system, but not steady: look for a loose contact or a poor earth point."
    ),
    "do_switch_feed": (
        "The monitor has a permanent feed, or the key was left on. Turn the key off. If readings go "
        "on, move the feed to one that is switched with the key."
    ),
    "do_key_off": "Turn the key off for a minute and on again.",
    "do_show_time": "Connect GPS or network time, or let the gateway reach the server once.",
    "do_give_sky": "Connect GPS or network time.",
    "do_look_at_gateway": "Bring the machine into coverage, or see above what the gateway waits for.",
    "do_wait_for_missing": "Wait for the gateway to send them again.",
    "do_stand": "Key on, engine off, for half a minute.",
    "do_check_zero": "Not zero: check that the ambient side is open and dry, then the sensor itself.",
    "do_run": (
        "Run the engine at {wanted} for half a minute, by the maker’s manual. A set with one governed "
        "speed needs {one_speed_min} min at that speed instead. Before that: parking brake on, bucket "
        "or blade lowered, wheels chocked, articulation lock in, nobody near, good ventilation."
    ),
    "do_look_at_tube": (
        "Restriction does not follow the engine. Engine off and secured, then look for a tube that is "
        "off, pinched or wet, a plugged tap, or a missing element. Never run the engine with the "
        "element out."
    ),
    "idle": "idle",
    "high idle": "high idle",
    "none": "nothing",
    # quantities
    "restriction": "Restriction",
    "ambient_pressure": "Ambient pressure",
    "intake_pressure": "Intake pressure",
    "boost_pressure": "Boost pressure",
    "engine_speed": "Engine speed",
    "engine_load": "Engine load",
    "air_mass_flow": "Air mass flow",
    "air_temperature": "Air temperature",
    "intake_temperature": "Intake temperature",
    "engine_hours": "Engine hours",
    "supply_voltage": "Supply voltage",
    "latitude": "Latitude",
    "longitude": "Longitude",
    "altitude": "Altitude",
    "signal_strength": "Signal",
    "position_fix": "Position fix (0: none)",
    "satellites": "Satellites",
}

DE: Final[Mapping[str, str]] = {
    # die Tür
    "door_title": "An der Maschine",
    "door_which": "Dies ist das Messgerät {device}.",
    "door_code": "Code auf dem Schild",
    "door_open": "Werte zeigen",
    "door_wrong": "Das ist nicht der Code auf dem Schild. Buchstaben und Ziffern, auch ohne Bindestrich.",
    "door_wait": "Zu viele falsche Codes. In {seconds} s wieder.",
    # die Seite
    "live": "Messwert",
    "no_value": "Noch kein Messwert. Schlüssel einschalten; der erste braucht etwa eine Minute.",
    "measured": "vor {age} gemessen, an dieser Maschine",
    "other_values": "Weitere Werte",
    "waiting": "Messwerte, die im Gateway warten",
    "oldest": "Der älteste wartet seit",
    "entries_waiting": "Einträge, die im Gateway warten",
    "link_state": "Verbindung zur Werkstatt",
    "link_works": "steht",
    "link_none": "keine eingestellt, sammelt nur",
    "link_failing": "fehlt seit {age}",
    "waits": "Wartet auf {what}, seit {age}",
    "waits_link": "einen Weg zum Server",
    "waits_server": "den Server",
    "waits_key": "einen Menschen: der Server lehnt den Schlüssel ab",
    "waits_disk": "den Datenträger",
    "waits_clock": "die Uhrzeit (GPS, Netzzeit oder der Server)",
    "waits_readings": "neue Messwerte",
    "checks": "Prüfungen an der Maschine",
    "checks_failed": "{failed} von {all} Prüfungen nicht bestanden",
    "checks_open": "{open} von {all} Prüfungen offen",
    "checks_passed": "Alle Prüfungen an der Maschine bestanden",
    "checks_rest": "Wechselwert, sauberen Wert und Luftdruck beurteilt die Werkstatt.",
    "signal_now": "Jetzt {level} dBm.",
    "signal_title": "Signal der letzten Minuten",
    "make_entry": "Eintrag machen",
    "advice": "Nur ein Rat. Das Handbuch des Motorherstellers und die Anzeige in der Kabine gehen vor.",
    "not_live": "Die Seite ist nicht auf dem neuesten Stand: das Gateway antwortet nicht.",
    # Einträge
    "entry_title": "Was hier gemacht wurde",
    "entry_what": "Was",
    "entry_choose": "Wählen",
    "entry_done_ago": "vor {age}",
    "what_new": "neuer Einsatz",
    "what_cleaned": "Einsatz gereinigt, derselbe wieder eingebaut",
    "what_inspected": "Einsatz angesehen, unverändert wieder eingebaut",
    "what_safety_element": "Sicherheitseinsatz ersetzt",
    "entry_who": "Ihr Name",
    "entry_note": "Bemerkung (kann leer bleiben)",
    "entry_ago": "Vor wie vielen Minuten",
    "entry_save": "Eintrag behalten",
    "entry_back": "Zurück zu den Werten",
    "entry_kept": "Im Gateway gespeichert; geht an die Werkstatt, sobald eine Verbindung da ist.",
    "entry_question": (
        "In der Werkstatt bleibt er eine Frage, bis ein Mensch oder die Messwerte ihn bestätigen."
    ),
    "entry_state_waiting": "in diesem Gateway, noch nicht in der Werkstatt",
    "entry_state_sent": "in der Werkstatt",
    "entry_list": "Hier gemachte Einträge",
    "back_take": "Zurücknehmen",
    "back_title": "Einen falschen Eintrag zurücknehmen",
    "back_why": "Warum (kann leer bleiben)",
    "back_then": (
        "Beides bleibt in diesem Gateway, auch bei Schlüssel aus, und geht in dieser Reihenfolge an die "
        "Werkstatt, sobald eine Verbindung da ist. Bis dahin weiß die Werkstatt nichts davon. Dort zählt der "
        "Eintrag dann nicht mehr. Hat ihn dort inzwischen jemand bestätigt, steht er weiter, und die Seite "
        "der Werkstatt sagt, wer ihn hier zurückgenommen hat."
    ),
    "back_save": "Diesen Eintrag zurücknehmen",
    "back_instead": "Wurde etwas anderes gemacht, tragen Sie das eigens ein.",
    "back_not": "So lassen, wie es ist",
    "back_kept": (
        "Zurückgenommen. Im Gateway gespeichert; geht an die Werkstatt, sobald eine Verbindung da ist."
    ),
    "back_by": "Zurückgenommen von {by}",
    "back_gone": "Dieses Gateway hat den Eintrag nicht mehr. In der Werkstatt kann er zurückgenommen werden.",
    "entry_caution_title": "Bevor das Gehäuse geöffnet wird",
    "entry_caution": (
        "Motor aus, Schlüssel abgezogen, gegen Anlassen gesichert. Motor nie ohne Einsatz laufen lassen."
    ),
    "fault_what": "Wählen Sie, was gemacht wurde.",
    "fault_who": "Schreiben Sie Ihren Namen: 1 bis 60 Zeichen.",
    "fault_note": "Höchstens 400 druckbare Zeichen.",
    "fault_ago": "Ganze Minuten von 0 bis 1440 (ein Tag). Älteres auf den Seiten der Werkstatt eintragen.",
    "fault_full": (
        "Der Datenträger nimmt gerade keinen Eintrag an: {why}. Er ist nicht gespeichert. Aufschreiben "
        "oder noch einmal versuchen."
    ),
    "fault_count": "Noch nicht gespeichert. Zu berichtigen: {count}.",
    # Zustände
    "passed": "bestanden",
    "failed": "nicht bestanden",
    "not yet seen": "offen",
    # Prüfungen
    "supply voltage": "Versorgungsspannung",
    "key-off": "Versorgung geht mit dem Schlüssel aus",
    "clock": "Uhr",
    "link": "Messwerte kommen in der Werkstatt an",
    "zero with the engine off": "Null bei stehendem Motor",
    "restriction answers the engine": "Unterdruck folgt dem Motor",
    "supply_not_reported": "Keine Versorgungsspannung gemeldet.",
    "supply": "{middle_v} V, von {low_v} bis {high_v} V.",
    "supply_of_system": "{middle_v} V, von {low_v} bis {high_v} V: ein Netz mit {system_v} V.",
    "supply_running": "Bei laufendem Motor: {middle_v} V, von {low_v} bis {high_v} V.",
    "supply_running_of_system": (
        "Bei laufendem Motor: {middle_v} V, von {low_v} bis {high_v} V: ein Netz mit {system_v} V."
    ),
    "read_on_at_rest": "{stayed_min} min lang kamen Messwerte bei stehendem Motor.",
    "power_has_not_gone": "Die Versorgung ist noch nicht ausgegangen.",
    "power_cycled": "Die Versorgung ging aus und wieder an; gesehen: {times}-mal.",
    "time_known": "Die Zeiten stimmen auf {uncertainty_s} s, durch {anchor}.",
    "anchor_gps": "GPS",
    "anchor_ntp": "Netzzeit",
    "anchor_person": "das Wort einer Person",
    "anchor_server": "den Server der Werkstatt",
    "time_not_known": "Genauigkeit der Uhr unbekannt.",
    "link_fails_now": "Jetzt fehlt die Verbindung, seit {age}: Messwerte warten im Gateway und gehen später.",
    "nothing_arrived": "Der Server hat seit dem Start des Gateways nichts bestätigt.",
    "acknowledged": "Seit dem Start des Gateways bestätigt: {readings}.",
    "acknowledged_with_gaps": "Bestätigt: {readings}. Es fehlen: {missing}.",
    "rest_not_seen": "Kein Messwert bei sicher stehendem Motor.",
    "at_rest": "{zero_pa} bei stehendem Motor.",
    "idle_not_seen": "Noch kein Messwert im Leerlauf.",
    "high_idle_not_seen": "Noch kein Messwert bei hoher Leerlaufdrehzahl.",
    "idle_and_high_idle": "{low_pa} im Leerlauf, {high_pa} bei hoher Leerlaufdrehzahl.",
    "one_speed_rest_not_seen": "Läuft mit einer geregelten Drehzahl. Noch kein Messwert im Stand.",
    "rest_and_one_speed": "{rest_pa} im Stand, {run_pa} bei der geregelten Drehzahl.",
    "do_report_supply": "Das Messgerät seine Versorgungsspannung melden lassen.",
    "do_check_feed": (
        "Weder ein 12-V- noch ein 24-V-Netz: Zuleitung, Sicherung und Massepunkt nach den Anweisungen des "
        "Maschinenherstellers prüfen. Elektrische Arbeiten nur durch Fachkräfte."
    ),
    "do_check_contact": (
        "Ein Netz mit {system_v} V, aber unruhig: Wackelkontakt oder schlechten Massepunkt suchen."
    ),
    "do_switch_feed": (
        "Das Messgerät hängt an Dauerplus, oder der Schlüssel blieb an. Schlüssel ausschalten. Kommen weiter "
        "Messwerte, die Zuleitung auf eine mit dem Schlüssel geschaltete legen."
    ),
    "do_key_off": "Schlüssel eine Minute aus- und wieder einschalten.",
    "do_show_time": "GPS oder Netzzeit anschließen, oder das Gateway den Server einmal erreichen lassen.",
    "do_give_sky": "GPS oder Netzzeit anschließen.",
    "do_look_at_gateway": (
        "Die Maschine in Empfang bringen, oder oben nachsehen, worauf das Gateway wartet."
    ),
    "do_wait_for_missing": "Warten, bis das Gateway sie noch einmal schickt.",
    "do_stand": "Schlüssel ein, Motor aus, eine halbe Minute lang.",
    "do_check_zero": (
        "Nicht null: prüfen, ob die Umgebungsseite offen und trocken ist, dann den Sensor selbst."
    ),
    "do_run": (
        "Den Motor eine halbe Minute {wanted} laufen lassen, nach dem Handbuch des Herstellers. Ein "
        "Aggregat mit einer geregelten Drehzahl braucht stattdessen {one_speed_min} min bei dieser. "
        "Vorher: Feststellbremse angezogen, Schaufel oder Schar abgesenkt, Räder verkeilt, Knicksperre "
        "eingelegt, niemand in der Nähe, gute Lüftung."
    ),
    "do_look_at_tube": (
        "Der Unterdruck folgt dem Motor nicht. Motor aus und gesichert, dann nach einem abgezogenen, "
        "geknickten oder nassen Schlauch, einem verstopften Anschluss oder einem fehlenden Einsatz "
        "sehen. Motor nie ohne Einsatz laufen lassen."
    ),
    "idle": "im Leerlauf",
    "high idle": "bei hoher Leerlaufdrehzahl",
    "none": "nichts",
    # Messgrößen
    "restriction": "Unterdruck",
    "ambient_pressure": "Luftdruck",
    "intake_pressure": "Ansaugdruck",
    "boost_pressure": "Ladedruck",
    "engine_speed": "Motordrehzahl",
    "engine_load": "Motorlast",
    "air_mass_flow": "Luftmassenstrom",
    "air_temperature": "Lufttemperatur",
    "intake_temperature": "Ansauglufttemperatur",
    "engine_hours": "Betriebsstunden",
    "supply_voltage": "Versorgungsspannung",
    "latitude": "Breite",
    "longitude": "Länge",
    "altitude": "Höhe",
    "signal_strength": "Signal",
    "position_fix": "Ortung (0: keine)",
    "satellites": "Satelliten",
}

WORDS: Final[Mapping[str, Mapping[str, str]]] = {"en": EN, "de": DE}


def language_of(accept: str) -> str:
    """The language by Accept-Language (RFC 9110 section 12.5.4): the first of ours; else English."""
    for part in accept[:200].split(","):
        language = part.partition(";")[0].strip().lower().partition("-")[0]
        if language in LANGUAGES:
            return language
    return "en"
