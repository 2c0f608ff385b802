"""Every setting of both programs, from their one table each (`gateway.setting_table`)."""

from __future__ import annotations

from importlib import import_module

from cleanside.gateway.setting_table import FILE, Setting, Table, switch
from cleanside.ingest.docs.markdown_text import anchor, code, page, plain, table

#: the other program's table; by its name, because the server imports nothing of the gateway but the contract
GATEWAY = "cleanside.gateway.settings"
SERVER = "cleanside.ingest.settings"
ORDER = "A flag counts before the environment, the environment before the file, the file before the default."


def of_server() -> str:
    """The page of the server's settings."""
    return _page("Settings of the server", "cleanside-ingest serve", import_module(SERVER).TABLE)


def of_gateway() -> str:
    """The page of the gateway's settings."""
    return _page("Settings of the gateway", "cleanside-gateway run", import_module(GATEWAY).TABLE)


def _page(title: str, command: str, settings: Table) -> str:
    file = f"The file is TOML. {code(f'--{FILE}')} or {code(settings.variable(FILE))} names it."
    opening = (
        f"{code(command)} reads each setting as a flag, an environment variable or a line of a file. {ORDER}"
    )
    sections = dict.fromkeys(setting.section for setting in settings.rows)
    parts = [part for section in sections for part in _section(section, settings)]
    return page(title, opening, file, *parts)


def _section(section: str, settings: Table) -> list[str]:
    rows = [_row(setting) for setting in settings.rows if setting.section == section]
    heading = f"## In the file under `[{section}]`" if section else "## At the top of the file"
    return [heading, table(("setting", "flag, variable", "what it is"), rows)]


def _row(setting: Setting) -> tuple[str, ...]:
    flag = setting.flag if setting.read is not switch else f"{setting.flag}, --no-{setting.flag[2:]}"
    default = "" if setting.default in (None, "") else f" Default: {code(setting.default)}."
    name = f"{anchor(setting.attribute)}{code(setting.key)}"
    return name, f"{code(flag)}<br>{code(setting.variable)}", plain(setting.sentence) + default
