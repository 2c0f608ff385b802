"""
The files for containers are sound: Kubernetes' own schemas (kubernetes-validate, strict: a misspelt field
fails), hadolint's rules, and every flag, variable, path and probe is one that the server has.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import fields
from importlib.resources import files
from pathlib import Path
from typing import Any

import kubernetes_validate
import pytest
import yaml

from cleanside.ingest import cli
from cleanside.ingest.api.app import all_routes
from cleanside.ingest.commands.serve import ANSWERS_END_S
from cleanside.ingest.settings import TABLE, Settings, load
from cleanside.ingest.webhooks.addresses import proxies_of
from cleanside.ingest.writer.under_way import END_WAITS_S
from tests.support.house import ROOT

DEPLOY = ROOT / "ingest" / "deploy"
MANIFESTS = [
    (file.name, document)
    for file in sorted((DEPLOY / "kubernetes").glob("*.yaml"))
    for document in yaml.safe_load_all(file.read_text())
]
COMPOSE: dict[str, Any] = yaml.safe_load((DEPLOY / "compose.yaml").read_text())
CONTAINERFILE = (DEPLOY / "Containerfile").read_text()
USER = 10750


def pods() -> Iterator[dict[str, Any]]:
    """The pods of every manifest that has one."""
    for _, document in MANIFESTS:
        if "template" in document.get("spec", {}):
            yield document["spec"]["template"]["spec"]


def containers() -> list[dict[str, Any]]:
    return [container for pod in pods() for container in pod["containers"]]


def calls() -> list[list[str]]:
    """Every way in which the files start the server's command."""
    of_image = re.search(r"^CMD (\[.*\])$", CONTAINERFILE, re.MULTILINE)
    assert of_image is not None
    found = [yaml.safe_load(of_image[1]), COMPOSE["services"]["server"]["command"]]
    return [[str(word) for word in words] for words in [*found, *(c["args"] for c in containers())]]


@pytest.mark.parametrize(
    ("file", "document"), MANIFESTS, ids=[f"{file} {document['kind']}" for file, document in MANIFESTS]
)
def test_a_manifest_is_one_of_kubernetes(file: str, document: dict[str, Any]) -> None:
    del file
    kubernetes_validate.validate(document, kubernetes_validate.latest_version(), strict=True)


def test_a_misspelt_field_would_be_found() -> None:
    document = {**MANIFESTS[0][1], "specification": {}}
    with pytest.raises(kubernetes_validate.ValidationError):
        kubernetes_validate.validate(document, kubernetes_validate.latest_version(), strict=True)


def test_hadolint_has_nothing_to_say_about_the_image() -> None:
    command = shutil.which("hadolint", path=str(Path(sys.executable).parent))
    assert command is not None
    done = subprocess.run(
        [command, str(DEPLOY / "Containerfile")], capture_output=True, text=True, check=False
    )
    assert (done.stdout + done.stderr, done.returncode) == ("", 0)


@pytest.mark.parametrize("words", calls(), ids=" ".join)
def test_the_server_understands_how_it_is_started(words: list[str]) -> None:
    given = TABLE.parse(cli.build_parser(command=words[0]), words)
    chosen = load(vars(given), {"CLEANSIDE_INGEST_DATABASE": "postgresql://database/cleanside"})
    assert proxies_of(chosen.trusted_proxies, behind_proxy=chosen.behind_proxy) is not None


def test_every_variable_is_a_setting_with_a_value_that_it_takes() -> None:
    of_pods = {
        entry["name"]: entry.get("value", "postgresql://database/cleanside")
        for container in containers()
        for entry in container["env"]
    }
    of_compose = COMPOSE["services"]["server"]["environment"]
    for variables in (of_pods, of_compose):
        ours = {k: str(v) for k, v in variables.items() if k.startswith("CLEANSIDE_INGEST_")}
        assert {name.removeprefix("CLEANSIDE_INGEST_").lower() for name in ours} <= {
            field.name for field in fields(Settings)
        }
        assert load({}, ours).weak_durability == "refuse"


def test_a_probe_asks_for_a_path_that_is_there() -> None:
    paths = {route.path for route in all_routes()}
    probes = [
        container[name]["httpGet"]["path"]
        for container in containers()
        for name in ("readinessProbe", "livenessProbe")
        if name in container
    ]
    assert sorted(probes) == ["/healthz", "/readyz"]
    assert set(probes) <= paths


def test_no_container_of_ours_runs_as_root_or_may_become_it() -> None:
    for pod in pods():
        assert pod["securityContext"]["runAsNonRoot"]
        assert pod["securityContext"]["runAsUser"] == USER
        assert not pod["automountServiceAccountToken"]
    for container in containers():
        assert container["securityContext"]["readOnlyRootFilesystem"]
        assert not container["securityContext"]["allowPrivilegeEscalation"]
        assert container["securityContext"]["capabilities"] == {"drop": ["ALL"]}
    assert f"USER {USER}:{USER}" in CONTAINERFILE
    assert COMPOSE["services"]["server"]["read_only"]
    assert COMPOSE["services"]["server"]["cap_drop"] == ["ALL"]


def test_a_server_has_longer_to_stop_than_its_requests_take() -> None:
    """uvicorn waits ten seconds for answers that are under way (`ingest.commands.serve`)."""
    [grace_s] = [pod["terminationGracePeriodSeconds"] for pod in pods() if "livenessProbe" in str(pod)]
    assert grace_s == 20
    assert COMPOSE["services"]["server"]["stop_grace_period"] == "20s"


def test_what_a_service_names_is_defined() -> None:
    for service in COMPOSE["services"].values():
        assert set(service.get("secrets", ())) <= COMPOSE["secrets"].keys()
        assert set(service.get("depends_on", ())) <= COMPOSE["services"].keys()
        named = [volume.partition(":")[0] for volume in service.get("volumes", ())]
        assert {name for name in named if not name.startswith(".")} <= COMPOSE["volumes"].keys()
        mounted = [name for name in named if name.startswith("./") and "." in name[2:]]
        assert all((DEPLOY / name).exists() for name in mounted)


def test_the_files_are_shipped_with_the_package() -> None:
    shipped = files("cleanside.ingest").joinpath("deploy")
    assert shipped.joinpath("Containerfile").read_text() == CONTAINERFILE


def test_a_server_that_stops_has_ended_before_it_would_be_killed() -> None:
    graces_s = [
        pod["terminationGracePeriodSeconds"] for pod in pods() if "terminationGracePeriodSeconds" in pod
    ]
    graces_s.append(int(COMPOSE["services"]["server"]["stop_grace_period"].removesuffix("s")))
    assert len(graces_s) == 2
    assert min(graces_s) > ANSWERS_END_S + END_WAITS_S


def test_an_image_is_made_of_the_package_s_own_files() -> None:
    """Not of the whole checkout: keys and environments lie beside it."""
    copied = re.findall(r"^COPY (?!--from)(.+) \S+$", CONTAINERFILE, re.MULTILINE)
    sources = {word for words in copied for word in words.split()}
    built = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["hatch"]["build"]["targets"]["wheel"]
    assert set(built["only-include"]) | {"pyproject.toml", "README.md", "LICENSE", ".ci"} == sources


def test_the_page_on_proxies_shows_what_the_file_has() -> None:
    page = (ROOT / "ingest" / "docs" / "howto" / "proxy-tls.md").read_text()
    shown = re.search(r"^```nginx\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    assert shown is not None
    in_file = [line.strip() for line in (DEPLOY / "proxy.conf").read_text().splitlines()]
    lines = [line.strip() for line in shown[1].splitlines() if line.strip()]
    assert lines[-2:] == ["proxy_next_upstream off;", "}"]
    for line in lines:
        assert line.replace("127.0.0.1:8750", "server:8750") in in_file
