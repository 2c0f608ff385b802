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

#: how an error of TOML's reader begins -> what is wrong there (toml.io, v1.0.0). The rest of its words is
#: left out: it may quote what stands there, which may be a password
TOML_FAULTS: Final = {
    "Invalid value": 'this is no value: a text stands in quotes ("text"), a switch is true or false',
    "Cannot overwrite a value": "this key is there twice",
    "Cannot declare": "this section is there twice",
    "Expected newline or end of document": (
        'the value ends before its line does: a text stands in quotes ("text"), a comment begins with #'
    ),
    "Expected '=' after a key": "a line is KEY = VALUE, and no = follows the key",
    "Invalid statement": "a line begins with a key, a [section] or a # here",
    "Illegal character": "a text ends at its line, with the quote it began with",
    "Unterminated string": "a text has no quote at its end",
    'Expected "\'"': "a text has no quote at its end",
    "Expected ']": "a [section] has no ] at its end",
    "Unclosed array": "a list has no ] at its end, or no comma between two values",
    "Unclosed inline table": "a { has no } at its end",
    "Unescaped '\\'": "write \\\\ for one \\ in a text, or put the text in single quotes",
    "Invalid hex value": "write \\\\ for one \\ in a text, or put the text in single quotes",
    "Invalid date or datetime": "there is no such day or time; a text stands in quotes",
}

#: about : the sentence of the setting. nearest : the next step after a mistyped name
SENTENCES: Final[Sentences] = {
    **{code: f'{{place}} "{{value}}" {rule}; {{about}}' for code, rule in RULES.items()},
    "not_settings": "{file}: {unknown}",
    "settings_not_toml": "{file} is not TOML ({why}); correct it, or check --{flag}",
    "settings_wrong": "{said}",
    "settings_unreadable": "{file} cannot be read ({why}); check --{flag}",
}
