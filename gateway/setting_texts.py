"""
The sentence of every code that a wrong setting has, in both programs: place, value, rule and next step.

Each program puts them into its own table (`error_texts`). Another language is another table.
"""

from __future__ import annotations

from typing import Final

from cleanside.gateway.wire import Sentences

#: the rule that a value breaks; follows the value
RULES: Final[Sentences] = {
    "not_a_listen_address": "is not an address and port like 127.0.0.1:8480, or a port alone for loopback",
    "not_a_name": "is not a name of 1 to 64 characters from A-Z a-z 0-9 - : . _",
    "not_a_number_of": "is not a number of {unit}",
    "not_a_switch": "is neither true nor false",
    "not_a_text": "is not a text",
    "not_a_web_address": "has no scheme: write https://{address}, or http:// on a network of the shop's own",
    "not_an_ip_address": "needs an IP address before the port, like 192.168.4.1:8480",
    "not_days": "is not a number of days from {lowest} to {highest}",
    "not_one_of": "is not one of {words}",
    "not_seconds": "is not a number of seconds above 0 and up to {highest}",
    "not_whole": "is not a whole number from {lowest} to {highest}",
    "not_whole_from": "is not a whole number from {lowest} up",
}

#: about : the sentence of the setting. nearest : the next step after a mistyped name
SENTENCES: Final[Sentences] = {
    **{code: f'{{place}} "{{value}}" {rule}; {{about}}' for code, rule in RULES.items()},
    "not_settings": "{file}: {unknown}",
    "settings_not_toml": "{file} is not TOML ({why}); correct it, or check --{flag}",
    "settings_wrong": "{said}",
    "settings_unreadable": "{file} cannot be read ({why}); check --{flag}",
}
