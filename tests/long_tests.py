"""
Tests that `.ci/run` leaves to `.ci/run all`, so that a change is judged within twelve minutes.

Left out is what another test of the short run covers on a smaller scale, or on one database of the two. A
test file or a test, by the beginning of its id. PostgreSQL is in the short run with the invariants, faults
and migrations.
"""

from __future__ import annotations

from collections.abc import Mapping

_MAILER = "tests/fault/test_mailer_killed.py::test_whenever_it_is_killed_each_matter_reaches_each_person"
_KILLED = "tests/fault/test_ingest_killed.py::test_a_killed_server_loses_nothing_and_stores_nothing_twice"
_SPOOL_KILLED = "tests/fault/test_spool_kill.py::test_nothing_lost_when_a_child_is_killed_in_mid_append[300]"
_COPIED = "tests/fault/test_copied_spool.py::test_what_was_copied_before_its_time_was_known"
_UNTOLD = "tests/fault/test_copied_spool.py::test_both_machines_with_a_copied_spool_reach_the_shop_whole["
_SCALES = "tests/property/test_restriction_forecast.py::test_the_forecast_scales_with_the_unit_of_time"
_SCALES += "_and_not_with_that_of_pressure"
_IN_BLOCKS = "tests/integration/ingest/store/test_stored_blocks.py::"
_IN_BLOCKS += "test_blocks_hold_what_a_plain_dictionary_holds[sqlite-"
_MERGED = "tests/integration/ingest/keeping/test_merged_blocks.py::"
_MERGED += "test_inside_one_merged_block_it_is_as_with_rows[sqlite-"
_CHANGE_FORM = "tests/fault/test_merging_killed.py::test_processes_killed_while_readings_change_their_form"
_CHANGE_FORM += "_lose_and_double_nothing"
_BETWEEN = "tests/fault/test_merge_killed_between.py::"
_BETWEEN += "test_between_two_steps_of_a_killed_merge_it_is_as_with_rows[join."
_ASIDE = "tests/fault/test_spool_aside_room.py::test_"
_OF_ASIDE = ("a_rewind_that", "new_readings", "a_full_disk", "what_was_carried", "a_file_that_waits")
_CENSORED = "tests/integration/ingest/restriction/test_generality.py::test_censored_lives"
_CENSORED += "_neither_blow_up_nor_shrink_the_interval"
_SHARED = "tests/fault/test_ingest_concurrent.py::test_interleaved_and_repeated_batches_of_shared_streams"
#: beginning of an id -> what covers it in the short run
LONG: Mapping[str, str] = {
    "tests/fault/test_disk_and_link_dead.py": "feed and spool, each alone, on a disk that fails",
    "tests/fault/test_restored_server.py": "test_fault_campaign restores a server",
    "tests/fault/test_ndjson_acknowledged.py": "test_ndjson answers each line once it is on disk",
    "tests/fault/test_spool_power.py": "test_spool_machine, test_spool_kill",
    _SPOOL_KILLED: "the same with a hundred kills",
    **{f"{_ASIDE}{name}": "a restored server gets what files have, same file" for name in _OF_ASIDE},
    "tests/fault/test_failover.py": "test_ingest_killed, test_ingest_database: servers and databases die",
    "tests/fault/test_standby_reads.py::test_raw": "test_api_raw: the same routes without a standby",
    "tests/fault/test_standby_reads.py::test_while": "test_ingest_database: a database that is away",
    "tests/fault/test_standby_away.py": "test_durability (unit), test_serve_durability judge the settings",
    "tests/fault/test_standby_stopped.py": "test_under_way, test_writer: no caller waits for one that stands",
    "tests/fault/test_analysis_shared.py": "test_turns: one connection after the other",
    "tests/fault/test_work_taken_over.py": "test_webhooks, test_leases: one process after the other",
    "tests/fault/test_archive_killed.py": "test_archive (property)",
    "tests/fault/test_merging_killed.py::test_killed_at": "processes killed under load, same file",
    **{
        f"{_CHANGE_FORM}[{which}": "the same with fewer kills, on SQLite"
        for which in ("sqlite-25", "postgres")
    },
    **{f"{_BETWEEN}{which}": "the next step on SQLite" for which in ("deleted", "inserted:2-postgres")},
    "tests/fault/test_file_modes.py": "file modes are tested where each file is made",
    "tests/fault/test_ingest_killed.py::test_as_many_kills_as_fit": "a kill by seed, same file",
    f"{_KILLED}[sqlite-2]": "the same with the first seed",
    f"{_KILLED}[postgres-2]": "the same with the first seed",
    _COPIED: "test_api_same_reading: the same readings over HTTP",
    f"{_UNTOLD}unnumbered": "test_decision: a conflict opens a stream; the same where a file's number tells",
    **{f"{_SHARED}_are_stored_once[{kind}-rows": "the same in blocks" for kind in ("sqlite", "postgres")},
    _MAILER: "the same with one kill, between the answer and its record",
    **{f"{_SCALES}[train{n}-": "the same with the first lives" for n in (1, 2, 3)},
    **{f"{_IN_BLOCKS}{seed}": "the same with the first seed" for seed in (1, 2, 3)},
    **{f"{_MERGED}{act}": "the same with other acts" for act in ("taken_out", "given_away", "corrected_and")},
    **{f"{_CENSORED}[{bench}]": "the same on the stepped bench" for bench in ("exponential", "knee")},
    "tests/property/test_visit_plan.py": "test_grouping, test_visit_plan: cases by hand, one published",
    "tests/unit/fleets/test_generators.py": "test_small_fleet makes a fleet and scores it",
    "tests/invariants/test_real_data.py": "the same path with made readings: test_fault_campaign",
    "tests/contract/test_one_file.py::test_it_carries": "test_installed runs the programs of the wheel",
    "tests/integration/gateway/test_without_zstandard.py": "test_zstd: the frames and the codings",
    "tests/contract/test_gateway_benchmarks.py": "benchmarks are run by hand before a release",
    "tests/contract/test_server_benchmarks.py": "benchmarks are run by hand before a release",
    "tests/integration/gateway/test_year_of_boots.py": "placements, one by one, in test_placement",
    "tests/integration/simulator/test_load_patterns": "test_load (3 machines), the pages of the report",
    "tests/integration/ingest/test_deploy_units.py::test_a_backup": "test_backup restores one",
    "tests/integration/simulator/test_tried_shop.py": "test_fault_campaign restores from a backup",
    "tests/integration/ingest/test_openid_provider.py": "test_oidc: the same flow, a provider of our own",
    "tests/contract/test_generated_clients.py": "test_description_for_generators",
    "tests/browser/test_outbox.py": "test_invariant_10 follows the rule of the outbox over HTTP",
    "tests/browser/test_pages_seen.py::test_what_stands_alone": "axe finds targets below 24 px, same file",
    "tests/browser/test_visit.py": "test_page_visit has the page without a browser",
    "tests/browser/test_german_seen.py": "test_pages_in_german reads the same pages without a browser",
    "tests/browser/test_letters.py": "test_messages has the text of messages, and that nothing is loaded",
    "tests/browser/test_messages_page.py": "test_api_messages has the page without a browser",
    "tests/browser/test_sign_in_pages.py": "test_pages_people, test_sign_in: without a browser",
    "tests/browser/test_docs_seen.py": "test_docs_site reads the same pages without a browser",
    "tests/contract/test_docs_commands.py": "test_documents: every command and flag of the pages exists",
}
#: these run on SQLite in the short run, on both databases in the long one
ON_BOTH_DATABASES = ("tests/contract/", "tests/integration/")
#: on both in the short run too: each database is sent statements of its own
ALWAYS_ON_BOTH = ("tests/contract/test_hot_statements.py",)
POSTGRES = "postgres"
_BEGINNINGS = tuple(LONG)


def is_long(test_id: str) -> bool:
    """True for a test that the short run leaves out. test_id : as pytest names it, with its parameters."""
    if test_id.startswith(_BEGINNINGS):
        return True
    if test_id.startswith(ALWAYS_ON_BOTH):
        return False
    path, _, parameters = test_id.partition("[")
    return path.startswith(ON_BOTH_DATABASES) and POSTGRES in parameters.rstrip("]").split("-")
