"""The curve of a simulated night, as a browser requests it."""

import pytest

from paged import shown
from potvigil.model.events import AlarmId
from potvigil.units import PA_PER_PSI
from rehearsal import raised


def test_a_night_has_its_stages_marks_and_lines(client, watched):
    found = client.get("/api/curve?pot=lantern").json()
    bench = watched.bench
    alarm = next(each for each in raised(bench.events) if each.alarm is AlarmId.FLOOR_AHEAD)
    assert found["batch"] == 1
    assert found["unit"] == "psi" and found["zone"] == "UTC"
    assert (found["floor"], found["working"]) == (45.0, 60.0)
    assert [each["stage"] for each in found["stages"]] == ["filling", "settling", "holding"]
    (mark,) = [each for each in found["marks"] if each["kind"] == "alarm"]
    assert mark["t"] == pytest.approx(alarm.t_s, abs=0.01)
    assert mark["level"] == "alarm"
    assert set(found["trace"]) == {"t", "corrected", "leak", "leak_low", "leak_high", "wall", "room"}
    assert all(len(line) == len(found["trace"]["t"]) for line in found["trace"].values())
    start_utc_s = bench.night.start_utc_s
    assert found["utc_less_t_s"] == pytest.approx(start_utc_s, abs=1.0)
    snapshot = bench.service.watches["lantern"].snapshot()
    assert found["to"] == pytest.approx(snapshot.t_s)
    # the last minute is not in the record yet: it comes from the live file
    assert found["t"][-1] == pytest.approx(snapshot.t_s)
    assert found["high"][-1] == pytest.approx(snapshot.reading.gauge_pa / PA_PER_PSI, abs=1e-3)
    assert found["trace"]["t"][-1] == pytest.approx(snapshot.t_s)
    assert found["cone"]["t"] == pytest.approx(snapshot.forecast.crossing_s, abs=0.01)
    assert found["cone"]["early"] < found["cone"]["t"] < found["cone"]["late"]
    assert found["cure_done"] == pytest.approx(snapshot.cure.done_s, abs=0.01)


def test_a_silent_watch_forecasts_nothing(client, watched):
    watched.speak(age_s=60.0)
    found = client.get("/api/curve?pot=lantern").json()
    assert found["cone"] is None
    assert found["cure_done"] is None
    assert found["t"][-1] <= found["to"]


def test_a_part_of_the_night_is_finer(client):
    whole = client.get("/api/curve?batch=1&points=200").json()
    part = client.get("/api/curve?batch=1&points=200&from=10000&to=10600").json()
    assert (part["from"], part["to"]) == (10_000.0, 10_600.0)
    assert all(10_000.0 <= t <= 10_600.0 for t in part["t"])
    assert len(part["t"]) > 100 > sum(10_000.0 <= t <= 10_600.0 for t in whole["t"])


def test_a_span_beyond_the_batch_is_clamped_to_its_end(client):
    whole = client.get("/api/curve?batch=1").json()
    beyond = client.get("/api/curve?batch=1&from=-1e9&to=1e9").json()
    assert (beyond["from"], beyond["to"]) == (whole["from"], whole["to"])
    nothing = client.get("/api/curve?batch=1&from=1e9&to=-1e9").json()
    assert nothing["from"] < nothing["to"]


@pytest.mark.parametrize(
    "query",
    [
        "",
        "pot=lantern&batch=1",
        "batch=x",
        "batch=-1",
        "pot=lantern&from=nan",
        "pot=lantern&to=inf",
        "batch=1&points=x",
    ],
)
def test_an_invalid_curve_request_says_why(client, query):
    answer = client.get(f"/api/curve?{query}")
    assert answer.status_code == 422
    assert answer.json()["fault"]


def test_an_unknown_pot_or_batch_is_not_found(client):
    assert client.get("/api/curve?pot=nobody").status_code == 404
    assert client.get("/api/curve?batch=77").status_code == 404


def test_without_a_live_file_the_record_alone_is_drawn(watched, tmp_path):
    watched.live.unlink()
    with shown(watched, tmp_path / "reports") as client:
        found = client.get("/api/curve?pot=lantern").json()
    assert found["cone"] is None
    assert len(found["t"]) > 200
