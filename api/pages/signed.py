"""What was signed of a visit: by whom, when, in which units and language, and where it is had."""

from __future__ import annotations

from dataclasses import dataclass

from api.report.content import setting_words
from api.report.signatures import Trail, kept_contents, signatures
from api.words import N_, _, words

_SIGNED = {
    "handed_in": N_("Handed in by {name}, {time}"),
    "accepted": N_("Accepted by {name}, {time}"),
    "sent_back": N_("Sent back by {name}, {time}"),
}


@dataclass(frozen=True, slots=True)
class SignedReport:
    """One signature with its report; ``address`` is empty where its content was not kept."""

    said: str
    setting: str
    sha256: str
    address: str


def paper_of(system: str) -> str:
    """Return the paper of a system of units."""
    return "us-letter" if system == "us" else "a4"


def pdf_at(visit_id: object, system: str) -> str:
    """Return where a visit's report is had as PDF, in its reader's language and these units."""
    language, paper = words().place, paper_of(system)
    return f"/v1/visits/{visit_id}/report.pdf?units={system}&language={language}&paper={paper}"


def signed_at(visit_id: object, system: str) -> str:
    """Return where a signed report of a visit is had; the SHA-256 of its content is to follow."""
    return f"/v1/visits/{visit_id}/report.pdf?paper={paper_of(system)}&signed="


def signed_reports(trail: Trail, visit_id: object, system: str) -> list[SignedReport]:
    """Return the reports that were signed, in that order; ``system`` chooses the paper."""
    kept = kept_contents(trail)
    return [
        SignedReport(
            _(_SIGNED[s.act], name=s.name, time=words().time(s.time)),
            setting_words(s.setting) if s.setting else "",
            s.report_sha256,
            signed_at(visit_id, system) + s.report_sha256 if s.report_sha256 in kept else "",
        )
        for s in signatures(trail)
        if s.report_sha256
    ]
