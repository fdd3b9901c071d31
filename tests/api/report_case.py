"""A hand-built case for the report, as quiet or as loud as a test wants it."""

from __future__ import annotations

import hashlib
import struct
import zlib
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

from api.report import Evidence, Photo, Replaced, ReportInput, Signature
from ingest.earlier import EarlierVisit
from ingest.judgement import Case, Flag, Source
from ingest.limits import resolve_limits
from ingest.models import SEVERITIES, Boiler, Site, Visit
from ingest.service.rules import judge_service
from ingest.validator import judge
from parsers.model import Bound, Phase
from parsers.points import FiringPoint, PointKey, Settled
from samples.service import TECHNICIAN, filled_document, two_yearly_plan

START = datetime(2026, 11, 20, 7, 30, tzinfo=timezone(timedelta(hours=1)))
PLAN = two_yearly_plan()
LONG = (
    "Boiler 2 of the third heating central behind the former wool-washing house, "
    "Nordermühlenbachstraßenkreuzungsplatzverwaltungsgebäude"
)


def png(width: int, height: int) -> bytes:
    """Return a small grey picture."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        body = kind + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    rows = b"".join(
        b"\0" + bytes((x * 200 // width + 30) for x in range(width)) for _ in range(height)
    )
    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(rows))
        + chunk(b"IEND", b"")
    )


def points(rates: int, phase: Phase, shift: float = 0.0) -> list[FiringPoint]:
    """Return points from low to high fire with made-up, plausible numbers."""
    out = []
    for n in range(rates):
        share = 1.0 if rates == 1 else n / (rates - 1)
        rate = 100.0 if rates == 1 else round(20 + 80 * share, 1)
        values = {
            "o2_dry": Settled(6.2 - 2.0 * share + shift, 0.06, 12, u_mean=0.02),
            "co_dry": Settled(14 + 22 * share - 4 * shift, 1.5, 12, u_mean=0.5),
            "stack_temperature": Settled(52 + 21 * share + 4 * shift, 0.4, 12, u_mean=0.1),
            "combustion_air_temperature": Settled(18.4, 0.1, 12, u_mean=0.03),
            "return_water_temperature": Settled(41.0 + 4 * share, 0.2, 12, u_mean=0.06),
            "flame_signal": Settled(5.1 + share, 0.05, 12, u_mean=0.02),
            "stack_draft": Settled(-6.0 - 9 * share, 0.8, 12, u_mean=0.2),
        }
        bounds = {"nox_dry": Bound(above=100.0)} if n == 0 and phase == "as_found" else {}
        hours = 0 if phase == "as_found" else 4
        at = START + timedelta(hours=hours, minutes=10 * n)
        key = PointKey("1", "natural_gas", phase, rate)
        out.append(FiringPoint(key, values, 12, at, at + timedelta(minutes=2), bounds))
    return out


def many_flags(count: int) -> list[Flag]:
    """Return flags of every severity with messages from short to long."""
    out = []
    for n in range(count):
        long = " The reading was repeated after the probe was moved and stayed the same." * (n % 3)
        out.append(
            Flag(
                id=f"made_up:{n}",
                rule=("co_elevated", "co_above_limit", "task_missing")[n % 3],
                severity=SEVERITIES[n % 4],
                message=f"Made-up finding {n + 1}: stack temperature is {90 + n} degC.{long}",
                next_step="Look at the flame, the air filter and the ratio; repeat the point.",
                source=Source("service target for CO air-free", "common practice", "default"),
            )
        )
    return out


def case(
    *, rates: int = 4, flags: int | None = None, long: bool = False, photos: int = 2
) -> ReportInput:
    """Return a report's input; ``flags`` replaces what was judged by so many made-up ones."""
    boiler = Boiler.model_validate(
        {
            "name": LONG if long else "Boiler 2",
            "serial": "QX" + "7" * 60 if long else "QX-4471",
            "fuel": "natural_gas",
            "rated_input": "1500 MBH",
            "condensing": True,
            "turndown": 5,
            "limits": {
                "targets": [
                    {"firing_rate": 20, "o2_dry": {"low": 5.4, "aim": 6.2, "high": 7.0}},
                    {"firing_rate": 100, "o2_dry": {"low": 3.6, "aim": 4.2, "high": 5.0}},
                ],
                "stack_temperature_max": "85 degC",
                "gas_inlet_pressure": {"low": "5 inWC", "high": "14 inWC"},
            },
        }
    )
    visit = Visit.model_validate(
        {
            "started": START.isoformat(),
            "ended": (START + timedelta(hours=6)).isoformat(),
            "technician": TECHNICIAN + (", Łukasz Żółć-Grzegorzewski" if long else ""),
            "how_left": "running",
            "condensate_seen": True,
            "adjustments": [{"what": "Air shutter opened a quarter turn", "firing_rate": 20}],
            "instrument": {"name": "Analyzer 3", "serial": "A-118", "calibrated": "2026-05-02"},
            "room_co": [{"value": 0, "when": "arrival"}, {"value": 1, "when": "leaving"}],
            "service": filled_document(PLAN, START),
        }
    )
    made_points = [*points(rates, "as_found", 0.8), *points(rates, "as_left")]
    earlier = Visit.model_validate({"started": (START - timedelta(days=366)).isoformat()})
    history = [EarlierVisit(earlier, points(rates, "as_left", 0.2))]
    judgement = judge(Case(boiler, visit, made_points, history))
    assert visit.service is not None
    service_flags, unjudged = judge_service(
        visit.service, PLAN, visit=visit, boiler=boiler, limits=resolve_limits(boiler)
    )
    if flags is not None:
        judgement = replace(judgement, flags=tuple(many_flags(flags)))
        service_flags = ()
    done = [
        {"flag": f.id, "words": "Repeated after adjustment.", "by": "T. Wexley", "time": START}
        for f in judgement.flags[:2]
    ]
    visit = Visit.model_validate(visit.model_dump() | {"handled": done})
    pictures = [
        Photo(
            f"picture-{n}.png",
            hashlib.sha256(bytes([n])).hexdigest(),
            png(320, 200),
            f"Picture {n + 1}: burner head after cleaning",
        )
        for n in range(photos)
    ]
    log = b"made-up log"
    return ReportInput(
        report_id="01a1de5d-0300-7003-8000-0000000001f4/1" if long else "R-2026-0117",
        made=datetime(2026, 11, 20, 15, 0, tzinfo=UTC),
        boiler=boiler,
        visit=visit,
        points=made_points,
        judgement=judgement,
        limits=resolve_limits(boiler).snapshot,
        site=Site(name="Heating central North", address="Mill Lane 3"),
        company="Fjordheat Cooperative",
        plan=PLAN,
        service_flags=service_flags,
        service_not_judged=unjudged,
        open_findings=visit.service.findings,
        history=history,
        evidence=[Evidence("boiler2.csv", hashlib.sha256(log).hexdigest(), len(log))],
        photos=pictures,
        signatures=[
            Signature("handed_in", "ilka", TECHNICIAN, START + timedelta(hours=7), "0" * 64)
        ],
        replaces=Replaced("R-2026-0116", "b" * 64, datetime(2026, 11, 20, 14, 0, tzinfo=UTC)),
        program_version="0.1.0",
    )
