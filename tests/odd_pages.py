"""A boiler, a visit and a job whose every text is one that a page might break on."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from ingest.identifiers import new_id
from samples.service import filled_document, two_yearly_plan
from tests.api.report_case import png

WORD = "W" * 200
TURNED = "غلاية رقم ١٢ في غرفة المراجل"
SMALL = "\U0001f525\U0001f9f0 7"
MARKUP = "</p><b onclick=x>Kessel</b><script>ran()</script>&amp;"
TEXTS = (WORD, TURNED, SMALL, MARKUP)
NAME = f"{MARKUP} {TURNED} {SMALL} {WORD}"
RATES = tuple(range(12, 101, 8))
START = datetime(2026, 11, 24, 8, 0, tzinfo=UTC)
FINDINGS = 40


def _made(request: Any, method: str, address: str, **sent: Any) -> Any:
    answer = request.fetch(address, method=method, **sent)
    assert answer.ok, (address, answer.status, answer.text())
    return answer.json()


def _file(o2: float) -> dict[str, Any]:
    lines = [f"{rate},{o2},{rate},{200 + rate},20" for rate in RATES]
    text = "Firing rate %,O2 %,CO ppm,Stack temperature degC,Air temperature degC\n"
    buffer = (text + "\n".join(lines) + "\n").encode()
    return {"name": f"{NAME[:150]}.csv", "mimeType": "text/csv", "buffer": buffer}


def odd_pages(request: Any, base: str) -> dict[str, str]:
    """Return what a technician opens of a boiler with twelve firing rates and forty findings.

    Parameters
    ----------
    request : playwright APIRequestContext
        Asks a demo that runs alone.
    base : str
        Address of the demo.
    """
    site = {"name": NAME[:190], "address": NAME}
    site = _made(request, "POST", f"{base}/v1/sites", data=site)
    boiler = {
        "name": NAME[:190],
        "site_id": site["id"],
        "fuel": "natural_gas",
        "rates": RATES,
        "condensing": True,
        "limits": {
            "targets": [{"firing_rate": r, "o2_dry": {"low": 3, "high": 5}} for r in RATES],
            "source": NAME[:190],
        },
    }
    kept = _made(request, "POST", f"{base}/v1/boilers", data=boiler)["id"]
    visits: list[str] = []
    for days, texts in ((0, TEXTS), (3, TEXTS)):
        started = START + timedelta(days=days)
        service = filled_document(two_yearly_plan(), started)
        if not visits:
            service["findings"] = [
                {"id": f"f-{n}", "text": f"{n} {texts[n % 4]}", "opened": "2026-11-24"}
                for n in range(FINDINGS)
            ]
        for task, text in zip(service["tasks"], texts * 9, strict=False):
            task["note"] = text
        document = {
            "boiler_id": kept,
            "started": started.isoformat(),
            "technician": NAME[:100],
            "note": NAME,
            "how_left": "running",
            "service": service,
        }
        identity = str(new_id())
        address = f"{base}/v1/visits/{identity}"
        _made(request, "PUT", address, data=document)
        for phase, o2 in (("as_found", 8.2), ("as_left", 6.1)):
            multipart = {"file": _file(o2), "phase": phase}
            _made(request, "POST", f"{address}/files", multipart=multipart)
        picture = {"name": "a.png", "mimeType": "image/png", "buffer": png(40, 30)}
        multipart = {"file": picture, "caption": NAME[:190]}
        _made(request, "POST", f"{address}/photos", multipart=multipart)
        if not visits:
            _made(request, "POST", f"{address}/hand-in", data={"who": NAME[:90]})
        visits.append(identity)
    job = {"site_id": site["id"], "on": "2026-11-27", "people": TEXTS}
    job = _made(request, "POST", f"{base}/v1/jobs", data=job)["id"]
    file = _made(request, "GET", f"{base}/v1/visits/{visits[1]}")["files"][0]["id"]
    visit = f"/visits/{visits[1]}"
    return {
        "visit": visit,
        "handed in": f"/visits/{visits[0]}",
        "report": f"{visit}/report",
        "signed": f"/visits/{visits[0]}/report",
        "readings": f"{visit}/readings",
        "service": f"{visit}/service",
        "evidence": f"{visit}/files/{file}",
        "boiler": f"/boilers/{kept}",
        "coming": f"/boilers/{kept}/visits/coming",
        "job": f"/jobs/{job}",
        "compare": f"/compare?a={visits[0]}&b={visits[1]}",
    }
