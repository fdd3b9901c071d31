"""What was done about each finding: on the page, by API, in the report, and nothing overwritten."""

from __future__ import annotations

from typing import Any

from starlette.testclient import TestClient

from tests.api.test_api import upload
from tests.api.test_pages import HTML


def flags(client: TestClient, visit: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = client.get(f"/v1/visits/{visit}").json()["judgement"]["flags"]
    return found


def post(client: TestClient, visit: str, **given: str) -> Any:
    return client.post(f"/visits/{visit}/handled", data=given, headers=HTML, follow_redirects=False)


def test_words_beside_a_flag_stand_on_page_api_and_report(client: TestClient, visit: str) -> None:
    upload(client, visit)
    flag = flags(client, visit)[0]["id"]
    page = client.get(f"/visits/{visit}", headers=HTML).text
    assert f'name="done.{flag}"' in page
    given = {f"done.{flag}": "Shut down <at once>.", f"was.{flag}": "", "who": "T. One"}
    assert post(client, visit, **given).status_code == 303
    (kept,) = client.get(f"/v1/visits/{visit}").json()["visit"]["handled"]
    assert (kept["flag"], kept["words"], kept["by"]) == (flag, "Shut down <at once>.", "T. One")
    assert client.post(f"/v1/visits/{visit}/hand-in", json={"who": "T. One"}).status_code == 200
    assert "Shut down &lt;at once&gt;." in client.get(f"/visits/{visit}", headers=HTML).text
    report = client.get(f"/visits/{visit}/report").text
    assert "Shut down &lt;at once&gt;. (T. One, " in report


def test_api_writes_words_for_a_flag_or_a_whole_rule_and_repeats_do_nothing(
    client: TestClient, visit: str
) -> None:
    upload(client, visit)
    first = flags(client, visit)[0]
    body = {"who": "T. One", "handled": [{"flag": first["rule"], "words": "Gas turned down."}]}
    answer = client.post(f"/v1/visits/{visit}/handled", json=body)
    assert answer.status_code == 200, answer.text
    again = client.post(f"/v1/visits/{visit}/handled", json=body)
    assert again.headers["ETag"] == answer.headers["ETag"]
    assert again.json() == answer.json()
    assert "Gas turned down. (T. One, " in client.get(f"/visits/{visit}/report").text
    # A word on the flag itself comes before one on its rule; an empty one takes it back.
    for words, seen in (("Burner off.", True), ("", False)):
        body = {"who": "T. Two", "handled": [{"flag": first["id"], "words": words}]}
        assert client.post(f"/v1/visits/{visit}/handled", json=body).status_code == 200
        text = client.get(f"/visits/{visit}/report").text
        assert ("Burner off. (T. Two, " in text) is seen


def test_somebody_elses_words_are_never_overwritten_unseen(client: TestClient, visit: str) -> None:
    upload(client, visit)
    one, other = flags(client, visit)[0]["id"], flags(client, visit)[1]["id"]
    form = {f"was.{one}": "", f"was.{other}": "", f"done.{one}": "", f"done.{other}": ""}
    first = form | {"who": "T. One", f"done.{one}": "First word."}
    assert post(client, visit, **first).status_code == 303
    second = form | {"who": "T. Two", f"done.{one}": "Other word."}
    refused = post(client, visit, **second)
    assert refused.status_code == 409
    assert "First word." in refused.text and "Other word." in refused.text
    # What the other did not touch is stored, though the visit has a newer version.
    third = form | {"who": "T. Two", f"done.{other}": "Second flag."}
    assert post(client, visit, **third).status_code == 303
    kept = client.get(f"/v1/visits/{visit}").json()["visit"]["handled"]
    assert [h["words"] for h in kept] == ["First word.", "Second flag."]


def test_words_about_nothing_and_after_hand_in_are_refused(client: TestClient, visit: str) -> None:
    upload(client, visit)
    flag = flags(client, visit)[0]["id"]
    nothing = {"who": "T. One", "handled": [{"flag": "no_such_flag", "words": "x"}]}
    assert client.post(f"/v1/visits/{visit}/handled", json=nothing).status_code == 404
    nameless = {"handled": [{"flag": flag, "words": "x"}]}
    assert client.post(f"/v1/visits/{visit}/handled", json=nameless).status_code == 422
    assert client.post(f"/v1/visits/{visit}/hand-in", json={"who": "T. One"}).status_code == 200
    late = nameless | {"who": "T. One"}
    assert client.post(f"/v1/visits/{visit}/handled", json=late).status_code == 409
    assert f'name="done.{flag}"' not in client.get(f"/visits/{visit}", headers=HTML).text
