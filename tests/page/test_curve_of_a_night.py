"""The curve of a night that the watch was simulated on, as a browser asks for it."""

import pytest

from paged import shown
from potvigil.model.events import AlarmId
from potvigil.units import PA_PER_PSI
from rehearsal import raised


def test_a_night_has_its_stages_marks_and_lines(client, watched):
    told = client.get("/api/curve?pot=lantern").json()
    bench = watched.bench
    alarm = next(each for each in raised(bench.events) if each.alarm is AlarmId.FLOOR_AHEAD)
    assert told["batch"] == 1
    assert told["unit"] == "psi" and told["zone"] == "UTC"
    assert (told["floor"], told["working"]) == (45.0, 60.0)
    assert [each["stage"] for each in told["stages"]] == ["filling", "settling", "holding"]
    (mark,) = [each for each in told["marks"] if each["kind"] == "alarm"]
    assert mark["t"] == pytest.approx(alarm.t_s, abs=0.01)
    assert mark["level"] == "alarm"
    assert set(told["trace"]) == {"t", "corrected", "leak", "leak_low", "leak_high", "wall", "room"}
    assert all(len(line) == len(told["trace"]["t"]) for line in told["trace"].values())
    start_utc_s = bench.night.start_utc_s
    assert told["utc_less_t_s"] == pytest.approx(start_utc_s, abs=1.0)
    snapshot = bench.service.watches["lantern"].snapshot()
    assert told["to"] == pytest.approx(snapshot.t_s)
    # the last minute is not in the record yet: it comes from what the watch left in memory
    assert told["t"][-1] == pytest.approx(snapshot.t_s)
    assert told["high"][-1] == pytest.approx(snapshot.reading.gauge_pa / PA_PER_PSI, abs=1e-3)
    assert told["trace"]["t"][-1] == pytest.approx(snapshot.t_s)
    assert told["cone"]["t"] == pytest.approx(snapshot.forecast.crossing_s, abs=0.01)
    assert told["cone"]["early"] < told["cone"]["t"] < told["cone"]["late"]
    assert told["cure_done"] == pytest.approx(snapshot.cure.done_s, abs=0.01)


def test_a_silent_watch_forecasts_nothing(client, watched):
    watched.speak(age_s=60.0)
    told = client.get("/api/curve?pot=lantern").json()
    assert told["cone"] is None
    assert told["cure_done"] is None
    assert told["t"][-1] <= told["to"]


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
        told = client.get("/api/curve?pot=lantern").json()
    assert told["cone"] is None
    assert len(told["t"]) > 200
