"""The nightly jobs with real files: what they do, what they record, and what is made up for."""

from __future__ import annotations

import csv
import re
import shutil
import threading
import time
from datetime import datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path

import pytest
from coilbook.api import job_records, nightly
from coilbook.api.app import create_app
from coilbook.api.fields import utc_now
from coilbook.api.models import JobRun
from coilbook.api.settings import Settings
from coilbook.ingest.store import Store
from processes import Server
from starlette.testclient import TestClient


@pytest.fixture
def folders(tmp_path: Path) -> tuple[Path, Path]:
    inbox, outbox = tmp_path / "inbox", tmp_path / "outbox"
    inbox.mkdir()
    outbox.mkdir()
    return inbox, outbox


def settings_of(store: Path, folders: tuple[Path, Path], **given: object) -> Settings:
    told = {
        "inbox_settle_s": 0.05,
        "inbox_every_s": 3600,
        "hosts": ("testserver",),
        "nightly": False,
        **given,
    }
    return Settings(store=store, inbox=folders[0], outbox=folders[1], **told)  # type: ignore[arg-type]


def drop(fleet: Path, inbox: Path) -> list[str]:
    """Put the fleet's files into the inbox."""
    files = [*(fleet / "registry").iterdir(), *(fleet / "logs").iterdir()]
    return sorted(Path(shutil.copy(path, inbox)).name for path in files)


def runs_of(store: Path) -> list[JobRun]:
    with Store.open(store) as opened, opened.reading() as session:
        return job_records.runs(session)[::-1]


def until(client: TestClient, job: str, count: int) -> list[dict[str, object]]:
    """The ended runs of a job, oldest first, once there are `count` of them."""
    for _ in range(600):
        runs = client.get(f"/api/jobs?job={job}").json()["runs"]
        ended = [run for run in runs if run["outcome"] != "running"]
        if len(ended) >= count:
            return ended[::-1]
        time.sleep(0.1)
    raise AssertionError(f"{job} did not run {count} times: {runs}")


def test_a_night_from_inbox_to_outbox(tmp_path: Path, fleet: Path, folders: tuple[Path, Path]) -> None:
    inbox, outbox = folders
    names = drop(fleet, inbox)
    (inbox / "broken.csv").write_text("a,b\n1,2\n")
    (inbox / "coming.csv.part").write_text("half")
    (inbox / ".hidden").write_text("left alone")
    with TestClient(create_app(settings_of(tmp_path / "s.duckdb", folders))) as client:
        done = [client.post(f"/api/jobs/{job}/runs").json() for job in ("inbox", "review", "morning")]
        cases = client.get("/api/cases").json()["cases"]
        loads = client.get("/api/ledger?limit=500").json()
    assert [(run["job"], run["outcome"]) for run in done] == [
        ("inbox", "done"),
        ("review", "done"),
        ("morning", "done"),
    ]
    today = done[0]["started_at"][:10]
    assert sorted(path.name for path in (inbox / "done" / today).iterdir()) == names
    assert sorted(path.name for path in (inbox / "failed").iterdir()) == [
        "broken.csv",
        "broken.csv.reason.txt",
    ]
    assert "columns" in (inbox / "failed" / "broken.csv.reason.txt").read_text()
    assert sorted(path.name for path in inbox.iterdir()) == [".hidden", "coming.csv.part", "done", "failed"]
    assert done[0]["rows"] == sum(row["accepted"] + row["replaced"] for row in loads)
    assert "1 failed" in done[0]["detail"]
    assert done[2]["rows"] == len(cases) > 3
    assert sorted(path.name for path in outbox.iterdir()) == [f"morning-{today}.csv", f"morning-{today}.html"]
    with (outbox / f"morning-{today}.csv").open(newline="", encoding="utf-8") as file:
        assert [row["case_id"] for row in csv.DictReader(file)] == [case["case_id"] for case in cases]


class References(HTMLParser):
    """Collects what a page would fetch or lead to, and its text."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [str(value) for name, value in attrs if name in ("href", "src", "srcset", "action")]
        if tag in ("script", "link", "iframe", "object"):
            self.found.append(tag)

    def handle_data(self, data: str) -> None:
        self.text += data


def test_the_morning_file_needs_nothing_else_and_has_the_cautions(
    store_file: Path, folders: tuple[Path, Path]
) -> None:
    with TestClient(create_app(settings_of(store_file, folders))) as client:
        assert client.post("/api/jobs/morning/runs").json()["outcome"] == "done"
        cases = client.get("/api/cases").json()["cases"]
    [page] = folders[1].glob("*.html")
    html = page.read_text(encoding="utf-8")
    seen = References()
    seen.feed(html)
    assert seen.found == []
    assert not re.search(r"url\(|@import", html)
    told = seen.text.replace("\u00a0", " ")  # numbers and their units are held together
    places = [told.index(case["sentence"]) for case in cases]
    assert places == sorted(places)
    for word in ("Grid, PV inverter and battery", "Licensed people only", "prove dead", "at its breaker"):
        assert word in seen.text


def test_the_inbox_is_watched(store_file: Path, fleet: Path, folders: tuple[Path, Path]) -> None:
    settings = settings_of(store_file, folders, inbox_every_s=0.2)
    with TestClient(create_app(settings)) as client:
        time.sleep(0.6)
        assert client.get("/api/jobs?job=inbox").json()["runs"] == []
        shutil.copy(fleet / "registry" / "sites.csv", folders[0])
        [run] = until(client, "inbox", 1)
        assert run["outcome"] == "done"
        shutil.copy(fleet / "registry" / "sites.csv", folders[0])
        until(client, "inbox", 2)
    assert sorted(path.name for path in (folders[0] / "done").rglob("*.csv")) == ["2-sites.csv", "sites.csv"]


def test_a_file_that_grows_is_left_until_it_stands_still(
    store_file: Path, fleet: Path, folders: tuple[Path, Path]
) -> None:
    settings = settings_of(store_file, folders, inbox_settle_s=0.4)
    growing = folders[0] / "sites.csv"
    text = (fleet / "registry" / "sites.csv").read_bytes()
    with TestClient(create_app(settings)) as client:
        stop = threading.Event()

        def grow() -> None:
            with growing.open("wb") as file:
                while not stop.wait(0.05):
                    file.write(b"x")
                    file.flush()

        writer = threading.Thread(target=grow)
        writer.start()
        time.sleep(0.1)
        run = client.post("/api/jobs/inbox/runs").json()
        stop.set()
        writer.join()
        assert (run["outcome"], run["rows"]) == ("done", 0)
        assert growing.exists()
        growing.write_bytes(text)
        run = client.post("/api/jobs/inbox/runs").json()
        assert (run["outcome"], growing.exists()) == ("done", False)


def test_a_job_that_fails_is_recorded_shown_and_does_not_stop_the_next(
    store_file: Path, fleet: Path, folders: tuple[Path, Path]
) -> None:
    """The inbox cannot be read and the rule settings are broken: the list is written all the same."""
    inbox, outbox = folders
    inbox.rmdir()
    rules = store_file.with_name("rules.toml")
    rules.write_text("= broken")
    settings = settings_of(store_file, folders, rules=rules)
    app = create_app(settings)
    with TestClient(app, raise_server_exceptions=False) as client:
        app.state.service.jobs._run_all(app.state.service.jobs.names(), utc_now())
        listed = client.get("/api/jobs").json()
        assert [(run["job"], run["outcome"]) for run in listed["runs"]] == [
            ("morning", "done"),
            ("review", "failed"),
            ("inbox", "failed"),
            ("serve", "running"),
        ]
        assert [run["job"] for run in listed["failing"]] == ["review", "inbox"]
        assert str(rules) in listed["failing"][0]["detail"]
        assert list(outbox.glob("*.html"))
        rules.write_text("")
        client.post("/api/jobs/review/runs")
        assert [run["job"] for run in client.get("/api/jobs").json()["failing"]] == ["inbox"]


def remember(store: Path, job: str, due: datetime, outcome: str) -> None:
    """Write a run of the past into the record."""
    with Store.open(store) as opened:
        number = job_records.begin(opened, job, due, due)
        if outcome != "running":
            job_records.end(opened, number, due, outcome, None, "")


@pytest.mark.parametrize(
    ("past", "made_up_for"),
    [
        ([], []),
        ([("serve", -50, "done")], ["inbox", "review", "morning"]),
        ([("serve", -170, "done"), ("review", -168, "done")], ["inbox", "review", "morning"]),
        ([("serve", -50, "done"), ("inbox", 0, "done"), ("review", 0, "failed")], ["morning"]),
        ([("serve", -50, "done"), ("inbox", 0, "done"), ("review", 0, "running")], ["review", "morning"]),
        (
            [
                ("serve", -50, "done"),
                ("inbox", 0, "done"),
                ("review", 0, "interrupted"),
                ("review", 0, "running"),
                ("morning", 0, "done"),
            ],
            [],
        ),
    ],
    ids=["first start", "never", "five nights", "half", "killed", "killed twice"],
)
def test_what_was_missed_is_made_up_for_once(
    store_file: Path, folders: tuple[Path, Path], past: list[tuple[str, int, str]], made_up_for: list[str]
) -> None:
    settings = settings_of(store_file, folders, nightly=True, nightly_zone="America/Denver")
    due = nightly.last_due(settings, utc_now())
    for job, hours, outcome in past:
        remember(store_file, job, due + timedelta(hours=hours), outcome)
    for _ in range(2):  # the second start has nothing left to do
        with TestClient(create_app(settings)) as client:
            for job in made_up_for:
                until(client, job, 1 + sum(name == job and outcome != "done" for name, _, outcome in past))
            time.sleep(0.3)
    fresh = [run for run in runs_of(store_file)[len(past) :] if run.job != "serve"]
    assert [run.job for run in fresh] == made_up_for
    for run in fresh:
        assert run.outcome == "done"
        assert run.scheduled_for is not None
        assert run.scheduled_for.replace(tzinfo=None) == due
    assert not [run for run in runs_of(store_file) if run.outcome == "running"]


def test_a_job_killed_with_its_server_is_marked_and_done_again(
    store_file: Path, fleet: Path, folders: tuple[Path, Path]
) -> None:
    """A night is missed; the server making up for it is killed in its first job; the next does it all."""
    settings = settings_of(store_file, folders, nightly=True)
    due = nightly.last_due(settings, utc_now())
    remember(store_file, "serve", due - timedelta(hours=30), "done")
    names = drop(fleet, folders[0])
    told = {
        "inbox": str(folders[0]),
        "outbox": str(folders[1]),
        "inbox_settle_s": "0.05",
        "inbox_every_s": "3600",
    }
    with Server(store_file, **told) as server:
        while not (runs := server.http.get("/api/jobs?job=inbox").json()["runs"]):
            time.sleep(0.01)
        server.process.kill()
        server.process.wait()
    with Server(store_file, **told) as server:
        for _ in range(600):
            ended = server.http.get("/api/jobs?job=morning&outcome=done").json()["runs"]
            if ended:
                break
            time.sleep(0.1)
        runs = server.http.get("/api/jobs").json()["runs"][::-1]
    told_runs = [(run["job"], run["outcome"]) for run in runs]
    assert told_runs == [
        ("serve", "done"),
        ("serve", "interrupted"),
        ("inbox", "interrupted"),
        ("serve", "running"),
        ("inbox", "done"),
        ("review", "done"),
        ("morning", "done"),
    ]
    assert "ended before the job did" in runs[2]["detail"]
    assert sorted(path.name for path in (folders[0] / "done").rglob("*.*") if path.is_file()) == names
    assert len(list(folders[1].glob("*.html"))) == 1


@pytest.mark.parametrize(
    ("at", "now", "due", "following"),
    [
        # America/Denver skips 02:30 on 2026-03-08 (the offset before holds), has 01:30 twice on 2026-11-01
        ("02:30", "2026-03-07T09:30:00", "2026-03-07T09:30:00", "2026-03-08T09:30:00"),
        ("02:30", "2026-03-07T09:29:59", "2026-03-06T09:30:00", "2026-03-07T09:30:00"),
        ("02:30", "2026-03-08T09:30:00", "2026-03-08T09:30:00", "2026-03-09T08:30:00"),
        ("02:30", "2026-03-09T08:29:00", "2026-03-08T09:30:00", "2026-03-09T08:30:00"),
        ("01:30", "2026-11-01T07:30:00", "2026-11-01T07:30:00", "2026-11-02T08:30:00"),
        ("01:30", "2026-11-01T08:30:00", "2026-11-01T07:30:00", "2026-11-02T08:30:00"),
    ],
)
def test_when_a_night_is_due(at: str, now: str, due: str, following: str) -> None:
    settings = Settings(nightly_at=at, nightly_zone="America/Denver")  # type: ignore[arg-type]
    instant = datetime.fromisoformat(now)
    assert nightly.last_due(settings, instant) == datetime.fromisoformat(due)
    assert nightly.next_due(settings, instant) == datetime.fromisoformat(following)


def test_a_night_begins_by_the_clock(
    store_file: Path, folders: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The server is up when the hour comes."""
    monkeypatch.setattr("coilbook.api.jobs.CLOCK_LOOK_S", 0.2)
    soon = utc_now() + timedelta(seconds=2)
    settings = settings_of(store_file, folders, nightly=True, nightly_at=soon.time())
    with TestClient(create_app(settings)) as client:
        [run] = until(client, "morning", 1)
        time.sleep(1)
        runs = client.get("/api/jobs").json()["runs"]
    assert [run["job"] for run in runs] == ["morning", "review", "inbox", "serve"]
    assert run["scheduled_for"].startswith(f"{soon:%Y-%m-%dT%H:%M:%S}")
