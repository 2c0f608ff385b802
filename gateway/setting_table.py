"""
A program's settings from one table: flag, environment variable, key of the file and help are one row.

The table is a frozen dataclass, and a row is a field of it: `field(default=30.0, metadata=row(...))`.
Where the field is `uplink_timeout_s` of section "uplink", the flag is --uplink-timeout-s, the variable
CLEANSIDE_GATEWAY_UPLINK_TIMEOUT_S, and the file has `timeout_s` under [uplink]. Both programs use it.

Promises: flag before environment before file before default. A value that is not allowed is refused with its
place, the rule and the setting's sentence; an unknown key with the nearest one that exists. A name of the
previous release is read, with a notice of the new one. No notice has a value.
Leaves to others: the rows (`gateway.settings`, `ingest.settings`), the sentences of errors
(`gateway.setting_texts`), and where notices go.
"""

from __future__ import annotations

import argparse
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import MISSING, dataclass, fields
from difflib import get_close_matches
from functools import cached_property
from pathlib import Path
from typing import Any, Final

from cleanside.gateway.errors import why
from cleanside.gateway.setting_texts import RULES, TOML_FAULTS
from cleanside.gateway.wire import Coded

PREFIX: Final = "CLEANSIDE_"
FILE: Final = "settings"  # the flag and the variable that name the file, in both programs
NOTICES: Final = "notices"  # where the parser leaves notices about old ways to write a flag
_DAY_S: Final = 86_400
_CENTURY_D: Final = 36_500
#: the booleans of systemd.syntax(7)
_WORDS: Final = {
    **dict.fromkeys(("1", "yes", "true", "on"), True),
    **dict.fromkeys(("0", "no", "false", "off"), False),
}


class NotASetting(Coded, ValueError):
    """A value that breaks the rule of its setting."""

    SENTENCES = RULES


def row(read: Callable[[Any], Any], sentence: str, *, section: str = "") -> dict[str, Any]:
    """
    The metadata that makes a field a setting.

    read : makes the value from a text or from what TOML has; raises NotASetting with the rule that is broken.
    sentence : what it is, with the unit in brackets.
    section : the table of the file; the field's name begins with it.
    """
    return {"read": read, "sentence": sentence, "section": section}


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One row, with all its names."""

    program: str
    attribute: str
    section: str
    read: Callable[[Any], Any]
    default: Any  # None or "": the help shows none
    sentence: str

    @property
    def key(self) -> str:
        """The key in its section of the file."""
        return self.attribute.removeprefix(f"{self.section}_" if self.section else "")

    @property
    def name(self) -> str:
        """The name in messages, and of the flag's value: uplink.timeout_s."""
        return f"{self.section}.{self.key}" if self.section else self.key

    @property
    def flag(self) -> str:
        """The command's flag."""
        return "--" + self.attribute.replace("_", "-")

    @property
    def variable(self) -> str:
        """The environment variable."""
        return variable_of(self.program, self.attribute)

    @property
    def help(self) -> str:
        """The line of --help."""
        default = "" if self.default in (None, "", False) else f" Default: {self.default}."
        return f"{self.sentence}{default} Or {self.variable}.".replace("%", "%%")


def variable_of(program: str, name: str) -> str:
    """The environment variable of a name: each program has its own, as both may run on one machine."""
    return f"{PREFIX}{program}_{name}".upper()


@dataclass(frozen=True, kw_only=True)
class Table:
    """
    The settings of a program.

    rows_of : the dataclass. error : raised where a setting is wrong; its table has `setting_texts`.
    more_variables : names beside the rows that the program reads from the environment itself.
    more_keys : keys at the top of the file that it reads itself.
    old_prefix : of the variables in the previous release. old_file : its name for the file's flag.
    """

    program: str
    rows_of: type[Any]
    error: type[Coded]
    more_variables: tuple[str, ...] = ()
    more_keys: tuple[str, ...] = ()
    old_prefix: str | None = None
    old_file: str | None = None

    @cached_property
    def rows(self) -> tuple[Setting, ...]:
        """Every setting, in the order of the dataclass."""
        return tuple(
            Setting(
                program=self.program,
                attribute=field.name,
                default=None if field.default is MISSING else field.default,
                **field.metadata,
            )
            for field in fields(self.rows_of)
            if "sentence" in field.metadata
        )

    def variable(self, name: str) -> str:
        """The environment variable of a name."""
        return variable_of(self.program, name)

    def add_flags(self, parser: argparse.ArgumentParser, *names: str) -> None:
        """Give a command all settings as flags, or those named, with help from the table."""
        file_help = f"Settings file (TOML). Or {self.variable(FILE)}."
        parser.add_argument(f"--{FILE}", metavar="FILE", help=file_help)
        if self.old_file:
            parser.add_argument(
                f"--{self.old_file}", dest=FILE, action=_OldFlag, help=argparse.SUPPRESS, now=f"--{FILE}"
            )
        for setting in self.rows:
            if not names or setting.name in names:
                self._add_flag(parser, setting)

    def _add_flag(self, parser: argparse.ArgumentParser, setting: Setting) -> None:
        if setting.read is switch:
            kind = argparse.BooleanOptionalAction
            parser.add_argument(setting.flag, dest=setting.name, action=kind, default=None, help=setting.help)
        else:
            parser.add_argument(setting.flag, dest=setting.name, metavar="VALUE", help=setting.help)

    def parse(self, parser: argparse.ArgumentParser, words: Sequence[str]) -> argparse.Namespace:
        """
        Parse a command line. A switch with a value, as in the previous release, gets a notice.

        Ends the program with a sentence where words are left over: most often a text without its quotes.
        """
        notices: list[str] = []
        parsed, left = parser.parse_known_args(list(self._by_new_switches(words, notices)))
        if left:
            parser.error(f"unrecognized arguments: {' '.join(left)}{_hint(left)}")
        setattr(parsed, NOTICES, [*notices, *(getattr(parsed, NOTICES, None) or ())])
        return parsed

    def _by_new_switches(self, words: Sequence[str], notices: list[str]) -> Iterator[str]:
        switches = {setting.flag for setting in self.rows if setting.read is switch}
        left = [part for word in words for part in _in_two(word, switches)]
        while left:
            word = left.pop(0)
            if word in switches and left and left[0].lower() in _WORDS:
                value = left.pop(0)
                now = word if switch(value) else word.replace("--", "--no-", 1)
                notices.append(f"{word} {value} is now {now}; a value is read for one release")
                word = now
            yield word

    def read(
        self, flags: Mapping[str, Any], environ: Mapping[str, str], notify: Callable[[str], None]
    ) -> tuple[dict[str, Any], dict[str, Any], Mapping[str, str]]:
        """
        What is set: attribute -> value; the file's `more_keys`; the environment by its new names.

        flags : name -> value, None where not given. A setting that is set nowhere is left out.
        """
        for notice in flags.get(NOTICES) or ():
            notify(notice)
        environ = self._by_new_names(environ, notify)
        self._notice_unknown(environ, notify)
        file_name = flags.get(FILE) or environ.get(self.variable(FILE))
        document = self._from_file(Path(file_name)) if file_name else {}
        own = {key: document.pop(key) for key in self.more_keys if key in document}
        given = {name: (place, value) for name, place, value in self._in_file(document, str(file_name))}
        values, wrong = dict[str, Any](), list[Coded]()
        for setting in self.rows:
            place, value = self._find(setting, flags, environ, given)
            if value is not None:
                try:
                    values[setting.attribute] = self._checked(setting, place, value)
                except self.error as error:
                    wrong.append(error)
        self._refuse(wrong)
        return values, own, environ

    def _refuse(self, wrong: Sequence[Coded]) -> None:
        """Raise for what is wrong, all of it at once."""
        if len(wrong) == 1:
            raise wrong[0]
        if wrong:
            codes = [error.code for error in wrong]
            raise self.error("settings_wrong", codes=codes, said="; ".join(map(str, wrong)))

    def _find(
        self,
        setting: Setting,
        flags: Mapping[str, Any],
        environ: Mapping[str, str],
        in_file: Mapping[str, tuple[str, Any]],
    ) -> tuple[str, Any]:
        if flags.get(setting.name) is not None:
            return setting.flag, flags[setting.name]
        if setting.variable in environ:
            return setting.variable, environ[setting.variable]
        return in_file.get(setting.name, ("", None))

    def _checked(self, setting: Setting, place: str, value: Any) -> Any:
        try:
            return setting.read(value)
        except NotASetting as error:
            about = {"place": place, "value": value, "about": setting.sentence}
            raise self.error(error.code, **error.values, **about) from None

    def _from_file(self, path: Path) -> dict[str, Any]:
        text = ""
        try:
            text = path.read_bytes().decode("utf-8")
            return tomllib.loads(text)
        except OSError as error:
            raise self.error("settings_unreadable", file=path, why=why(error), flag=FILE) from error
        except (tomllib.TOMLDecodeError, UnicodeError) as error:
            said = toml_fault(error, text) if isinstance(error, tomllib.TOMLDecodeError) else why(error)
            raise self.error("settings_not_toml", file=path, why=said, flag=FILE) from error

    def _in_file(self, document: Mapping[str, Any], file_name: str) -> Iterator[tuple[str, str, Any]]:
        """(name, place, value) of the file. Raises for keys that are none, each with the nearest that is."""
        sections = {setting.section for setting in self.rows if setting.section}
        entries = []
        for top, value in document.items():
            if sections and isinstance(value, dict) and value:
                entries += [(f"{top}.{key}", f"{file_name}: [{top}] {key}", v) for key, v in value.items()]
            else:
                entries.append((top, f"{file_name}: {top}", value))
        names = {setting.name for setting in self.rows}
        if unknown := [name for name, _, _ in entries if name not in names]:
            said = "; ".join(self._unknown(name) for name in unknown)
            raise self.error("not_settings", file=file_name, names=unknown, unknown=said)
        yield from entries

    def _unknown(self, name: str) -> str:
        names = [*(setting.name for setting in self.rows), *self.more_keys]
        return f"{name} is not a setting; {nearest(name, names)}"

    def _variables(self) -> list[str]:
        names = [FILE, *self.more_variables, *(setting.attribute for setting in self.rows)]
        return [self.variable(name) for name in names]

    def _by_new_names(self, environ: Mapping[str, str], notify: Callable[[str], None]) -> Mapping[str, str]:
        renamed = dict(environ)
        for variable in self._variables():
            old = self._old(variable)
            if old is not None and old in environ and variable not in environ:
                renamed[variable] = environ[old]
                notify(f"{old} is now {variable}; the old name is read for one release")
        return renamed

    def _old(self, variable: str) -> str | None:
        if self.old_file and variable == self.variable(FILE):
            return self.variable(self.old_file)
        return self.old_prefix and self.old_prefix + variable.removeprefix(self.variable(""))

    def _notice_unknown(self, environ: Mapping[str, str], notify: Callable[[str], None]) -> None:
        variables = self._variables()
        for variable in sorted(environ):
            ours = variable.startswith(self.variable("")) and variable not in variables
            if ours and variable != (self.old_file and self.variable(self.old_file)):
                notify(f"{variable} is not a setting and is not read; {nearest(variable, variables)}")


def toml_fault(error: tomllib.TOMLDecodeError, text: str) -> str:
    """
    What is wrong with a file, where, and at which key; nothing of what stands there. Pure.

    text : the whole file.
    """
    said = str(error)
    place = re.search(r"\(at (?:(line \d+, column \d+)|end of document)\)$", said)
    where = "at its end" if place is None else place[1] or "at its end"
    fault = next((words for begin, words in TOML_FAULTS.items() if said.startswith(begin)), "")
    return f"{where}{key_of_line(text, said)}{fault and f': {fault}'}"


def key_of_line(text: str, said: str) -> str:
    """
    The key of the line that TOML's reader stumbled over, as `, key port`; "": it is not known.

    said : its words, with "at line 3". The value is left out: it may be a password. Pure.
    """
    number = re.search(r"at line (\d+)", said)
    lines = text.splitlines()
    if number is None or not 0 < int(number[1]) <= len(lines):
        return ""
    key = re.match(r"\s*([A-Za-z0-9_-]+)\s*=", lines[int(number[1]) - 1])
    return "" if key is None else f", key {key[1]}"


def nearest(name: str, names: Sequence[str]) -> str:
    """The next step after a mistyped name: the one that is nearest to it, or all there are."""
    close = get_close_matches(name, names, n=1)
    return f"did you mean {close[0]}?" if close else f"there are {', '.join(sorted(names))}"


def _in_two(word: str, flags: set[str]) -> list[str]:
    """--x=true as two words, where --x is one of these flags."""
    flag, equals, value = word.partition("=")
    return [flag, value] if equals and flag in flags else [word]


def _hint(left: Sequence[str]) -> str:
    """What to write where words are left over that are no flags, as `Lind` of `--display-name Mara Lind`."""
    is_text = not any(word.startswith("-") for word in left)
    return '; a text with spaces needs quotes: --flag "two words"' if is_text else ""


def _notice(namespace: argparse.Namespace, text: str) -> None:
    setattr(namespace, NOTICES, [*(getattr(namespace, NOTICES, None) or ()), text])


class _OldFlag(argparse.Action):
    """A flag by its name in the previous release."""

    def __init__(self, *, now: str, **rest: Any) -> None:
        super().__init__(**rest)
        self._now = now

    def __call__(
        self, _: argparse.ArgumentParser, namespace: argparse.Namespace, values: Any, flag: Any = None
    ) -> None:
        _notice(namespace, f"{flag} is now {self._now}; the old name is read for one release")
        setattr(namespace, self.dest, values)


def text(value: Any) -> str:
    """A text that is not empty."""
    if not isinstance(value, str) or not value:
        raise NotASetting("not_a_text")
    return value


def text_or_empty(value: Any) -> str:
    """A text; empty where the sentence says what that means."""
    if not isinstance(value, str):
        raise NotASetting("not_a_text")
    return value


def web_address_or_empty(value: Any) -> str:
    """An address of pages, with its scheme: a browser opens one without it over http, in the clear."""
    address = text_or_empty(value)
    if address and not address.startswith(("https://", "http://")):
        raise NotASetting("not_a_web_address", address=address)
    return address


def file_path(value: Any) -> Path:
    """A path; ~ is the user's folder."""
    return Path(text(value)).expanduser()


def one_of(*words: str) -> Callable[[Any], str]:
    """Reads one of these words."""

    def read(value: Any) -> str:
        if value not in words:
            raise NotASetting("not_one_of", words=", ".join(words))
        return str(value)

    return read


def whole(lowest: int, highest: int | None = None) -> Callable[[Any], int]:
    """Reads a whole number from `lowest` to `highest`; None: no bound above."""
    code = "not_whole_from" if highest is None else "not_whole"

    def read(value: Any) -> int:
        number = int(value) if isinstance(value, str) and value.strip().isdecimal() else value
        if type(number) is not int or number < lowest or (highest is not None and number > highest):
            raise NotASetting(code, lowest=lowest, highest=highest)
        return number

    return read


def seconds(value: Any) -> float:
    """A time above 0 and up to a day. [s]"""
    number = _number(value, "seconds")
    if not 0 < number <= _DAY_S:
        raise NotASetting("not_seconds", highest=_DAY_S)
    return number


def days(value: Any) -> float:
    """A time from 1 to 36500 days. [d]"""
    number = _number(value, "days")
    if not 1 <= number <= _CENTURY_D:
        raise NotASetting("not_days", lowest=1, highest=_CENTURY_D)
    return number


def _number(value: Any, unit: str) -> float:
    try:
        return float("nan") if isinstance(value, bool) else float(value)
    except (TypeError, ValueError):
        raise NotASetting("not_a_number_of", unit=unit) from None


def switch(value: Any) -> bool:
    """On or off: TOML's boolean, or in a flag or variable a word of systemd.syntax(7)."""
    word = str(value).strip().lower()
    if not isinstance(value, bool | str) or word not in _WORDS:
        raise NotASetting("not_a_switch")
    return _WORDS[word]
