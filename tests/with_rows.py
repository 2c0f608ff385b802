"""
Tests that run a second time with readings as rows: the form in a database that an earlier release made.

All tests have the form of a new database, which is blocks; here is one for each thing that is done with
stored readings. `CLEANSIDE_TESTS_FORM=rows pytest ...` runs any test so. Beside them
`tests/integration/ingest/store/test_stored.py` has both forms in one stream.
"""

from __future__ import annotations

#: file, then test
WITH_ROWS = frozenset(
    {
        "test_api_readings.py::test_a_batch_is_stored_in_si_with_its_units_kept",
        "test_api_readings.py::test_a_reading_sent_twice_is_stored_once",
        "test_api_readings.py::test_the_same_number_with_other_content_is_kept_beside_the_first",
        "test_api_readings.py::test_the_mark_waits_at_a_gap_and_leaps_when_it_closes",
        "test_api_readings.py::test_a_time_to_come_is_checked_again_by_itself",
        "test_api_readings.py::test_the_account_puts_every_number_in_exactly_one_state",
        "test_api_raw.py::test_pages_give_every_reading_once_in_order_of_time_archived_or_not",
        "test_api_raw.py::test_steps_agree_on_both_databases_and_end_early_where_too_much_stands_behind",
        "test_api_keep_second.py::test_a_page_of_many_conflicts_costs_as_many_queries_as_one_of_few",
        "test_api_both_right.py::test_it_can_be_undone_and_done_again",
        "test_api_transfer.py::test_of_a_device_that_moves_the_time_on_other_machines_stays",
        "test_api_transfer.py::test_the_stream_goes_on_at_the_new_owner",
        "test_boot_corrections.py::test_an_operator_takes_it_back_and_everything_is_as_it_was_sent",
        "test_retention.py::test_what_comes_back_from_the_archive_is_what_was_stored_bit_for_bit",
        "test_retention.py::test_what_is_archived_is_set_aside_amended_stored_and_undone",
        "test_recompute.py::test_computed_again_they_equal_the_stored_ones_to_the_last_bit",
        "test_ingest_concurrent.py::test_interleaved_and_repeated_batches_of_shared_streams_are_stored_once",
    }
)


def runs_with_rows(file: str, test: str) -> bool:
    """True for a test that runs in each form. file : its name without folders. test : without parameters."""
    return f"{file}::{test}" in WITH_ROWS
