"""Every word in both languages: same keys, same places, and nothing of a value gets into the markup."""

from __future__ import annotations

import re
import string
from zoneinfo import ZoneInfo

import pytest
from babel import Locale
from markupsafe import Markup

from cleanside.gateway.beside.page_words import WORDS
from cleanside.gateway.units import QUANTITIES
from cleanside.ingest.api.routes.webhooks import EVENT_TYPES
from cleanside.ingest.console.formats import Formats
from cleanside.ingest.console.rendering import PLACES
from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import Entry, Sayer, table
from cleanside.ingest.owners.access import ROLES
from cleanside.ingest.shop.sheet_texts import TEXTS

NOW_S = 1_772_442_000.0  # 2026-03-02 09:00 UTC
FIRST, *OTHERS = LANGUAGES


def sayer(language: str = "en") -> Sayer:
    return Sayer(language, Formats(Locale.parse(language), ZoneInfo("UTC"), NOW_S))


def places(entry: Entry) -> set[tuple[str, str]]:
    """Names of the values of a text, and how each is written."""
    texts = [entry] if isinstance(entry, str) else list(entry.values())
    found = [part for text in texts for part in string.Formatter().parse(text)]
    return {(name, spec or "") for _, name, spec, _ in found if name}


@pytest.mark.parametrize("type_", EVENT_TYPES)
def test_every_type_of_a_webhook_has_words(type_: str) -> None:
    assert f"webhooks.type.{type_.removeprefix('cleanside.').replace('.', '_')}" in table(FIRST)


@pytest.mark.parametrize("language", OTHERS)
def test_both_languages_have_all_keys(language: str) -> None:
    assert table(language).keys() ^ table(FIRST).keys() == set()


@pytest.mark.parametrize("language", OTHERS)
def test_both_languages_have_the_same_places_for_values(language: str) -> None:
    first, other = table(FIRST), table(language)
    assert {key for key in first if key in other and places(first[key]) != places(other[key])} == set()


def test_every_fault_of_a_spreadsheet_has_words_with_the_values_of_its_text() -> None:
    """Rule and next step for programs (`sheet_texts`), and the words of the page: the same values."""
    assert {f"shop.fault.{code}" for code in TEXTS} <= table(FIRST).keys()
    for code, text in TEXTS.items():
        given = {name for name, _ in places(text.rule) | places(text.next_step)}
        assert {name for name, _ in places(table(FIRST)[f"shop.fault.{code}"])} == given, code


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_text_is_empty(language: str) -> None:
    texts = {key: [e] if isinstance(e, str) else list(e.values()) for key, e in table(language).items()}
    assert [key for key, found in texts.items() if not all(map(str.strip, found))] == []


def sentences(key: str, language: str) -> list[str]:
    entry = table(language)[key]
    texts = [entry] if isinstance(entry, str) else list(entry.values())
    return [sentence.strip(" .") for text in texts for sentence in re.split(r"(?<=[.!?;]) ", text)]


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_caution_stands_in_one_place(language: str) -> None:
    """No sentence of a caution is said again under another key: two would drift apart."""
    cautions = [key for key in table(language) if key.startswith("caution.")]
    said = {sentence: key for key in cautions for sentence in sentences(key, language)}
    keys = [
        key for key in table(language) for found in sentences(key, language) if said.get(found, key) != key
    ]
    assert keys == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_place_and_role_has_a_word(language: str) -> None:
    keys = [f"layout.nav.{place[1:]}" for place in PLACES] + [f"layout.role.{role}" for role in ROLES]
    assert [key for key in keys if key not in table(language)] == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_place_for_a_value_can_be_written(language: str) -> None:
    """A kind that `Sayer` does not know would break the page that says it."""
    kinds = {spec for entry in table(language).values() for _, spec in places(entry)}
    for kind in kinds - {"", "number"}:
        value = "2026-12-04" if kind == "whole_day" else 1.0
        assert str(sayer(language).way(*kind.partition(" ")[::2])(value))


#: a number, and the word after it
COUNT_AND_WORD = re.compile(r"\{(\w+):(?:count|number|number 0)\} ([^\W\d_]+)")
#: counts that are never one, by key: limits
NEVER_ONE = frozenset(
    {"element_lives.too_few", "fault.too_many_webhooks", "fault.too_many_calendars"}
    | {"shop.fault.too_many_columns", "shop.fault.too_many_rows", "shop.fault.too_long"}
    | {"visit.stay.passed", "field.rule.photo_too_large"}
)


def is_noun_of_several(word: str, language: str) -> bool:
    """By its form: English ends in s, German begins with a capital; signs of units are shorter."""
    return (
        len(word) > 2
        and word not in ("says", "comes")
        and (word.endswith("s") if language == "en" else word[0].isupper())
    )


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_noun_after_a_count_has_a_form_for_one(language: str) -> None:
    """1 hours, 1 rows were read: a noun of several follows `n` alone, or comes with its count (`many`)."""
    wrong = []
    for key, entry in table(language).items():
        texts = [entry] if isinstance(entry, str) else list(entry.values())
        chosen_by = set() if isinstance(entry, str) else {"n"}
        wrong += [
            (key, word)
            for text in texts
            for name, word in COUNT_AND_WORD.findall(text)
            if is_noun_of_several(word, language) and name not in chosen_by and key not in NEVER_ONE
        ]
    assert wrong == []


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize(("rows", "said"), [(1, {"1 row", "1 Zeile"}), (2, {"2 rows", "2 Zeilen"})])
def test_a_count_brings_its_noun(language: str, rows: int, said: set[str]) -> None:
    text = sayer(language).plain("shop.would", rows=rows, n=1)
    assert any(re.search(rf"\b{one}\b", text) for one in said)


def test_a_value_is_escaped_and_markup_stays() -> None:
    said = sayer()("layout.times", zone="<script>")
    assert said == "times in &lt;script&gt;"
    assert sayer()("layout.times", zone=Markup("<bdi>x</bdi>")) == "times in <bdi>x</bdi>"
    assert sayer().plain("layout.times", zone="<script>") == "times in <script>"


def test_a_key_without_words_and_a_value_that_is_missing_are_errors() -> None:
    with pytest.raises(KeyError):
        sayer()("layout.no_such_thing")
    with pytest.raises(KeyError):
        sayer()("layout.times")


def test_a_date_at_the_end_of_a_sentence_ends_it_once() -> None:
    assert sayer("de")("work.calendar_too", on="Mi. 9. Dez.") == "Altersgrenze am Mi. 9. Dez."
    assert sayer("de").plain("work.calendar_too", on="Mi. 9. Dez.") == "Altersgrenze am Mi. 9. Dez."


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_quantity_has_a_word(language: str) -> None:
    assert [name for name in QUANTITIES if f"quantity.{name}" not in table(language)] == []
    assert sayer(language).quantity("oil_pressure") == "oil_pressure"


# ---------------------------------------------------------------- one word for one thing

#: German words that are not used -> the one that is, on the server's pages and beside the machine
GERMAN = {
    r"Unterdruckwächter": "Messgerät",
    r"Monitor": "Messgerät",
    r"Filterpatrone|(Sicherheits|Haupt|Filter)?[Ee]lement(s|e|en)?": "Einsatz",
    r"Grenzwert|Wechselgrenze": "Wechselwert",
    r"[Ff]ühler": "Sensor",
    r"Luftseite": "Umgebungsseite",
    r"Zündung": "Schlüssel",
    r"oberen? Leerlauf": "hohe Leerlaufdrehzahl",
    r"Stillstand": "Stand",
    r"Vakuum|Saugdruck": "Unterdruck",
    r"Widerstand": "Unterdruck",
    r"Fahrerhaus": "Kabine",
    r"Schild abgesenkt": "Schar abgesenkt",
    r"Knickgelenk": "Knicksperre",
}


@pytest.mark.parametrize("other", sorted(GERMAN))
def test_one_german_word_stands_for_one_thing(other: str) -> None:
    console = {key: [e] if isinstance(e, str) else list(e.values()) for key, e in table("de").items()}
    beside = {f"beside.{key}": [text] for key, text in WORDS["de"].items()}
    wrong = [
        key
        for key, texts in (console | beside).items()
        if any(re.search(rf"\b({other})\w*", re.sub(r"\{[^}]*\}", "", text)) for text in texts)
    ]
    assert wrong == [], f"say {GERMAN[other]}"


@pytest.mark.parametrize(("english", "german"), [("gauge", "Manometer"), ("monitor", "Messgerät")])
def test_a_gauge_and_a_monitor_are_two_things_in_german_too(english: str, german: str) -> None:
    def has(entry: Entry, word: str) -> bool:
        texts = [entry] if isinstance(entry, str) else list(entry.values())
        return any(re.search(rf"\b{word}", text, re.IGNORECASE) for text in texts)

    both = [(key, entry, table("de")[key]) for key, entry in table("en").items()]
    assert [key for key, en, de in both if has(en, english) and not has(de, german)] == []


def test_german_sentences_name_roles_as_the_list_of_people_does():
    """ "Betrieb" was a role, the state of a machine and a company; "betreibt" named the role in sentences."""
    words = table("de")
    roles = {str(words[f"layout.role.{role}"]) for role in ("technician", "planner", "operator", "admin")}
    named = [re.findall(r"Rolle ((?:[A-Z]\w+(?:, | oder )?)+)", str(text)) for text in words.values()]
    lists = [re.split(", | oder ", found.strip()) for of_text in named for found in of_text]
    assert len(lists) >= 3
    assert {name for names in lists for name in names} <= roles
    assert not any(role in str(words["state.serving"]) for role in roles)


@pytest.mark.parametrize("language", LANGUAGES)
def test_words_begun_with_some_values_and_ended_with_the_rest_are_the_same(language: str) -> None:
    values = {"day": "am 9. Dez.", "cost": 1_250.4, "currency": " EUR", "share": 0.034}
    say, key = sayer(language), "visit_plan.option_more"
    whole = say.plain(key, **values)
    for many in range(len(values) + 1):
        first, rest = dict(list(values.items())[:many]), dict(list(values.items())[many:])
        assert say.begun(key, **first)(**rest) == whole
