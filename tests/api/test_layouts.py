"""Layouts over HTTP and on the command line."""

from __future__ import annotations

from pathlib import Path

from starlette.testclient import TestClient
from typer.testing import CliRunner

from api.command import main
from ingest.intake import Intake
from tests.api.bodies import reading_body

NEEDED = ["visit", "site", "boiler", "started", "phase", "firing_rate", "burner", "fuel"]
LAYOUT = {
    "rows": "point",
    "columns": [{"field": n} for n in NEEDED]
    + [{"field": "stack_temperature", "heading": "flue gas, F", "unit": "degF"}],
}


def test_a_layout_is_saved_read_changed_and_removed(client: TestClient) -> None:
    made = client.put("/v1/layouts/monthly", json=LAYOUT)
    assert made.status_code == 201, made.text
    same = client.put("/v1/layouts/monthly", json=LAYOUT)
    assert (same.status_code, same.headers["etag"]) == (200, made.headers["etag"])
    assert client.get("/v1/layouts/monthly").json() == made.json()
    assert client.get("/v1/layouts").json() == {"layouts": [made.json()]}
    stale = client.put("/v1/layouts/monthly", json=LAYOUT, headers={"If-Match": '"7"'})
    assert stale.status_code == 412
    assert client.put("/v1/layouts/other", json=LAYOUT).status_code == 409
    assert client.put("/v1/layouts/x", json={**LAYOUT, "columns": []}).status_code == 422
    assert client.put("/v1/layouts/x", json={**LAYOUT, "name": "y"}).status_code == 422
    assert client.delete("/v1/layouts/monthly").status_code == 204
    assert client.get("/v1/layouts/monthly").status_code == 404
    assert client.delete("/v1/layouts/monthly").status_code == 404


def test_the_table_over_http_is_the_one_of_the_command(
    client: TestClient, intake: Intake, visit: str, tmp_path: Path
) -> None:
    client.put("/v1/layouts/monthly", json=LAYOUT)
    client.post(f"/v1/visits/{visit}/readings", json=reading_body())
    answer = client.get("/v1/layouts/monthly/table.csv")
    assert answer.status_code == 200, answer.text
    lines = answer.content.decode().splitlines()
    assert lines[0].endswith('"flue gas, F"')
    assert lines[1].endswith(",356")
    target = tmp_path / "t.csv"
    command = ["export", str(target), "--layout", "monthly", "--book", str(intake.book.path)]
    done = CliRunner().invoke(main, command)
    assert done.exit_code == 0, done.output
    assert target.read_bytes() == answer.content
    bring = ["import", str(target), "--book", str(intake.book.path)]
    brought = CliRunner().invoke(main, bring)
    assert "1 were there already" in brought.output
