"""Which tests must kill the mutants of which room: seconds, no whole nights."""

from pathlib import Path

ROOMS: dict[str, tuple[str, ...]] = {
    "model": ("tests/model/test_small_types.py", "tests/model/test_details.py"),
    "sensing": (
        "tests/sensing",
        "tests/reference/test_conversion_ratiometric.py",
        "tests/reference/test_resolution.py",
    ),
    "leak": (
        "tests/leak/test_doubt_limits.py",
        "tests/leak/test_forecast_ends.py",
        "tests/leak/test_pressure_checks.py",
        "tests/leak/test_stillness.py",
        "tests/reference/test_forecast_laws.py",
    ),
    "leak/bank": (
        "tests/leak/test_unrest.py",
        "tests/leak/test_hot_contents.py",
        "tests/reference/test_thermal_laws.py",
        "tests/reference/test_statistics_leak_regression.py",
        "tests/reference/test_statistics_leak_bank.py",
        "tests/leak/test_onsets.py",
        "tests/leak/test_bank_parts.py",
        "tests/leak/test_stillness.py",
    ),
    "watch": (
        "tests/watch/test_alarm_table.py",
        "tests/watch/test_stage_table.py",
        "tests/watch/test_change_parts.py",
        "tests/watch/test_conditions.py",
        "tests/watch/test_batch_steps.py",
        "tests/watch/test_watch_steps.py",
        "tests/watch/test_alarm_states.py",
        "tests/watch/test_stage_machine.py",
        "tests/watch/test_verdict_words.py",
        "tests/watch/test_acknowledged_by.py",
        "tests/watch/test_hold.py",
        "tests/watch/test_batch_facts.py",
        "tests/watch/test_tracker_parts.py",
        "tests/watch/test_refusals_and_edits.py",
        "tests/watch/test_watch_parts.py",
        "tests/watch/test_stage_limits.py",
    ),
    "service": (
        "tests/service/test_small_parts.py",
        "tests/service/test_service_wiring.py",
        "tests/service/test_loop_steps.py",
        "tests/service/test_loop_events.py",
        "tests/service/test_deadlines.py",
        "tests/service/test_guarded_watch.py",
    ),
    "record": (
        "tests/record/test_validation.py",
        "tests/record/test_rows.py",
        "tests/record/test_files.py",
        "tests/record/test_unwritten.py",
        "tests/record/test_database.py",
        "tests/record/test_mended_times.py",
        "tests/record/test_buckets.py",
        "tests/record/test_listed.py",
        "tests/record/test_queue_times.py",
        "tests/record/test_asking.py",
        "tests/record/test_lock.py",
        "tests/record/test_schema.py",
        "tests/record/test_store.py",
    ),
    "outputs": (
        "tests/outputs/test_signals_steps.py",
        "tests/outputs/test_mqtt_steps.py",
        "tests/outputs/test_homie_values_apart.py",
        "tests/outputs/test_homie.py",
        "tests/outputs/test_homie_description.py",
        "tests/outputs/test_homie_moments.py",
        "tests/outputs/test_discovery.py",
        "tests/outputs/test_patterns.py",
        "tests/outputs/test_systemd.py",
        "tests/outputs/test_live.py",
        "tests/outputs/test_signals.py",
        "tests/outputs/test_mqtt.py",
    ),
    "page": ("tests/page/test_gates.py", "tests/page/test_log_in.py", "tests/page/test_security.py"),
    "page/views": (
        "tests/page/test_strip.py",
        "tests/page/test_words.py",
        "tests/page/test_now_parts.py",
        "tests/page/test_batch_lines.py",
        "tests/page/test_plan_form.py",
        "tests/page/test_curve_extremes.py",
        "tests/page/test_curve_parts.py",
        "tests/page/test_password_tries.py",
        "tests/page/test_batch_edits.py",
        "tests/page/test_phones_page.py",
        "tests/page/test_answers.py",
        "tests/page/test_curve.py",
    ),
    "page/many": (
        "tests/page/test_many_pages.py",
        "tests/studio/test_overlay.py",
        "tests/studio/test_trees.py",
    ),
    "reports": (
        "tests/reports/test_report_words.py",
        "tests/reports/test_pot_status.py",
        "tests/reports/test_chart_parts.py",
        "tests/reports/test_export.py",
        "tests/reports/test_chart_drawn.py",
        "tests/reports/test_health_chart.py",
        "tests/reports/test_retelling.py",
        "tests/reports/test_cast_in_report.py",
        "tests/reports/test_printed.py",
        "tests/reports/test_missing_libraries.py",
        "tests/reports/test_value_axes.py",
        "tests/reports/test_chart_legible.py",
        "tests/reports/test_health_legible.py",
    ),
    "studio": (
        "tests/studio/test_parts.py",
        "tests/studio/test_asked_of_studio.py",
        "tests/studio/test_news.py",
        "tests/studio/test_tables.py",
        "tests/studio/test_rights.py",
    ),
    "upkeep": (
        "tests/upkeep/test_upkeep_steps.py",
        "tests/upkeep/test_thinning_steps.py",
        "tests/upkeep/test_backups.py",
        "tests/upkeep/test_pictures.py",
        "tests/upkeep/test_archive.py",
    ),
    "notifying": (
        "tests/notifying/test_notice_steps.py",
        "tests/notifying/test_notifier_steps.py",
        "tests/notifying/test_push_steps.py",
        "tests/notifying/test_line.py",
        "tests/notifying/test_message.py",
        "tests/notifying/test_schedule.py",
        "tests/notifying/test_phones.py",
        "tests/notifying/test_targets.py",
        "tests/notifying/test_push.py",
    ),
}
# The estimator is judged by whole nights, which take minutes; the page's server by processes of its own; what
# listens to a broker by a real one.
_ONLY = {
    "page": {
        "addresses.py",
        "children.py",
        "door.py",
        "guard.py",
        "guesses.py",
        "passwords.py",
        "sessions.py",
        "zone.py",
    },
    "page/many": {
        "ageing.py",
        "all_pots.py",
        "known.py",
        "overlay.py",
        "pages.py",
        "reading.py",
        "studio_ground.py",
        "trees.py",
    },
    "leak": {
        "blocked_port.py",
        "forecast.py",
        "in_units.py",
        "known.py",
        "pressure_checks.py",
    },
    "leak/bank": {"bank.py", "cells.py", "correction.py", "onsets.py", "pot_model.py", "unrest.py"},
}
# Two rooms in one folder: the bank's tests take longer than those of the other files.
_FOLDERS = {"leak/bank": "leak"}


def files_of(root: Path, room: str) -> list[str]:
    """Return the files of a room whose mutants its tests must kill."""
    folder = root / "daemon/potvigil" / _FOLDERS.get(room, room)
    found = (str(path.relative_to(root)) for path in folder.rglob("*.py"))
    return sorted(path for path in found if room_of(path) == room)


def room_of(path: str) -> str | None:
    """Return the innermost room of a file, None where none of its tests are quick enough."""
    parts = Path(path).parts
    if parts[:2] != ("daemon", "potvigil"):
        return None
    folders = ["/".join(parts[2:end]) for end in range(len(parts) - 1, 2, -1)]
    of_folder = ([room for room in ROOMS if _FOLDERS.get(room, room) == folder] for folder in folders)
    innermost = next(filter(None, of_folder), [])
    return next((room for room in innermost if parts[-1] in _ONLY.get(room, {parts[-1]})), None)
