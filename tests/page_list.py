"""Every page of the demo, by name: what is photographed is what is checked.

A pattern is a route of the app; a test holds the list against the app, so that no new page is
forgotten. ``NOT_PAGES`` are the addresses that people's browsers ask and that answer no HTML.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from samples.service import two_yearly_plan

NOT_PAGES = frozenset(
    {
        "/healthz",
        "/readyz",
        "/metrics",
        "/worker.js",
        "/visits/{visit_id}/photos/{sha256}",
        "/enter/{token}",
        "/visits/{visit_id}/evidence",
        "/visits/{visit_id}/files/progress/{entry}",
    }
)
"""JSON, text, script, pictures; the demo's own way in and a value's evidence, which only lead on to
a page."""


@dataclass(frozen=True, slots=True)
class Listed:
    """One page: its name, the route that answers it and its address on a running demo."""

    name: str
    route: str
    address: str


def _made(request: Any, address: str, **document: Any) -> Any:
    answer = request.post(address, data=document)
    assert answer.ok, (address, answer.status, answer.text())
    return answer.json()


def pages(request: Any, base: str) -> tuple[Listed, ...]:
    """Return every page of a demo that runs alone.

    Parameters
    ----------
    request : playwright APIRequestContext
        Asks the demo; a job, a visit, a webhook and an account are made where it has none.
    base : str
        Address of the demo.
    """
    return tuple(Listed(name, route, address) for name, route, address in _pages(request, base))


def _pages(request: Any, base: str) -> Iterator[tuple[str, str, str]]:
    sites = request.get(f"{base}/v1/sites").json()["sites"]
    visits = request.get(f"{base}/v1/visits?limit=200").json()["visits"]
    unfilled = next(v for v in visits if v["state"] == "open")["id"]
    waiting = [v["id"] for v in visits if v["state"] == "handed_in"]
    accepted = [v["id"] for v in visits if v["state"] == "accepted"]
    full = request.get(f"{base}/v1/visits/{waiting[-1]}").json()
    files = request.get(f"{base}/v1/visits/{unfilled}").json()["files"]
    log = next(f["id"] for f in files if f["name"].endswith("-log.csv"))
    life = next(v for v in visits if v["id"] == waiting[-1])["boiler_id"]
    earlier = next(v["id"] for v in visits if v["boiler_id"] == life and v["id"] != waiting[-1])
    job = _made(request, f"{base}/v1/jobs", site_id=sites[0]["id"], on="2026-11-24")["id"]
    hook = _made(
        request,
        f"{base}/v1/webhooks",
        url="https://office.example/hooks",
        events=["visit.handed_in"],
    )["id"]
    document = {"boiler_id": life, "started": "2026-11-24T08:00:00Z", "adjusted": True}
    begun = _made(request, f"{base}/v1/visits", **document)["id"]
    form = {"name": "Newcomer", "role": "technician"}
    link = re.search(r"/first/[\w.-]+", request.post(f"{base}/accounts", form=form).text())
    assert link is not None, "a new account shows its link"
    first = link.group(0)

    for route in ("/sign-in", "/no-signal", "/accounts", "/webhooks", "/webhooks/undelivered"):
        yield route[1:].replace("/", "-"), route, route
    for route in ("/duty", "/boilers", "/fleet", "/limits", "/plans", "/audit", "/due"):
        yield route[1:], route, route
    yield "accept-together", "/accept-together", "/accept-together"
    yield "help", "/help", "/help"
    yield "maps", "/maps", "/maps"
    yield "review", "/", "/"
    yield "review-fix", "/", "/?severity=fix"
    yield "review-none", "/", "/?text=nowhere"
    yield "problem", "/problems/{slug}", "/problems/not-found"
    yield "first", "/first/{token}", first
    yield "first-over", "/first/{token}", "/first/none"
    yield "webhook", "/webhooks/{webhook_id}", f"/webhooks/{hook}"
    yield "boiler", "/boilers/{boiler_id}", f"/boilers/{life}"
    yield "boiler-further", "/boilers/{boiler_id}", f"/boilers/{life}?further=yes"
    yield "limits-own", "/boilers/{boiler_id}/limits", f"/boilers/{life}/limits"
    coming = f"/boilers/{life}/visits/coming"
    yield "coming", "/boilers/{boiler_id}/visits/coming", coming
    readings = f"{coming}/readings"
    yield "coming-readings", "/boilers/{boiler_id}/visits/coming/{part}", readings
    yield "compare", "/compare", f"/compare?a={earlier}&b={waiting[-1]}"
    yield "job", "/jobs/{job_id}", f"/jobs/{job}"
    yield "begun", "/visits/{visit_id}", f"/visits/{begun}"
    yield "open", "/visits/{visit_id}", f"/visits/{unfilled}"
    for n, visit in enumerate([*waiting, accepted[-1]]):
        yield f"visit-{n + 1}", "/visits/{visit_id}", f"/visits/{visit}"
    yield "typed", "/visits/{visit_id}/readings", f"/visits/{unfilled}/readings"
    yield "report", "/visits/{visit_id}/report", f"/visits/{waiting[-1]}/report"
    yield "service", "/visits/{visit_id}/service", f"/visits/{unfilled}/service"
    planned = f"/visits/{unfilled}/service?plan={two_yearly_plan().key}"
    yield "service-form", "/visits/{visit_id}/service", planned
    cut = f"/visits/{unfilled}/logs/{log}"
    yield "cut", "/visits/{visit_id}/logs/{attachment_id}", cut
    file = full["files"][0]["id"]
    evidence = f"/visits/{waiting[-1]}/files/{file}"
    yield "evidence", "/visits/{visit_id}/files/{attachment_id}", evidence
    yield "quantity", "/help/quantities/{key}", "/help/quantities/co_air_free"
    yield "rule", "/help/rules/{key}", "/help/rules/co_above_limit"
    yield "no-page", "", "/nothing-here"
