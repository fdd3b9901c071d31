"""What stands beside a limit: what holds without it and where that comes from; what to mind."""

from __future__ import annotations

from collections.abc import Sequence

from api.cautions import Caution, caution_pair
from api.chart_spec import number, stated_number
from api.pages.facts import source_said
from api.pages.limit_fields import FIELDS, Field, unit_of
from api.pages.show import Shown
from api.words import N_, SOURCE, _, speaking, words_of
from ingest.limits import DEFAULT_LIMITS, Limit, LimitSet

STATUS_WORDS = {
    "read": N_("read at its source"),
    "quoted": N_("quoted at second hand"),
    "memory": N_("from memory"),
    "common practice": N_("common practice"),
    "stated": N_("stated"),
}
_LEVEL_WORDS = {
    "default": N_("built in"),
    "company": N_("the company's"),
    "model": N_("of the model"),
    "boiler": N_("the boiler's own"),
}
_VARIANTS = {
    "approach_rise_max_condensing": N_("condensing"),
    "return_water_min_oil": N_("oil"),
    "vent_temperature_max_pvc": N_("PVC vent"),
    "vent_temperature_max_cpvc": N_("CPVC vent"),
    "vent_temperature_max_polypropylene": N_("polypropylene vent"),
}
_NEVER_LOOSER = ("co_air_free_stop", "room_co_check", "room_co_stop")
_IN_ORDER = (
    ("co_air_free_check", "co_air_free_fix", "co_air_free_stop"),
    ("room_co_check", "room_co_stop"),
)


def said(field: Field, value: object, shown: Shown) -> str:
    """Return a canonical limit in the reader's unit and words."""
    unit = unit_of(field, shown)
    if field.band:
        ends = (getattr(value, "low", None), getattr(value, "high", None))
        return shown.limit(field.quantity, *ends)
    if isinstance(value, list | tuple):
        return " ".join(map(stated_number, value)) + f" {unit}"
    assert isinstance(value, int | float)
    if not field.quantity:
        text = stated_number(value)
        return f"{text} {unit}" if field.key == "calibration_interval_days" else text
    text = number(shown.converted(field.quantity, value), shown.decimals(field.quantity))
    return f"{text} {unit}".strip()


def built_in(key: str, shown: Shown) -> list[str]:
    """Return what is built in for a limit and where it comes from, by kind of boiler."""
    out = []
    for name, found in DEFAULT_LIMITS.items():
        if name != key and (name not in _VARIANTS or not name.startswith(f"{key}_")):
            continue
        value = said(FIELDS[key], found.value, shown)
        source, status = source_said(found.source, shown), _(STATUS_WORDS[found.status])
        kind = f"{_(_VARIANTS[name])}: " if name in _VARIANTS else ""
        out.append(
            _("Built in: {value} ({source}; {status})", value=kind + value, source=source,
              status=status)
        )  # fmt: skip
    return out


def otherwise(key: str, below: LimitSet, shown: Shown) -> list[str]:
    """Return what a boiler is held to where it states nothing itself, and by whom."""
    there = below.get(key)
    if there is None:
        return []
    value = said(FIELDS[key], there.value, shown)
    return [_("Otherwise {value}, {whose}", value=value, whose=_whose(there, shown))]


def _whose(there: Limit, shown: Shown) -> str:
    source = there.source
    if source.level != "default":
        return f"{_(_LEVEL_WORDS[source.level])} ({source.text})"
    said = source_said(source.text, shown)
    return f"{_(_LEVEL_WORDS['default'])} ({said}; {_(STATUS_WORDS[source.status])})"


_LOOSER = N_(
    "{label}: {value} is looser than the built-in {default} ({source}). A person can come to harm "
    "below it: say in the reason what allows it."
)


def _looser(key: str, value: float, shown: Shown) -> str:
    """Return the caution about a limit; where its English stands beside, with English names."""

    def given() -> dict[str, str]:
        default = DEFAULT_LIMITS[key]
        return {
            "label": _(FIELDS[key].words),
            "value": said(FIELDS[key], value, shown),
            "default": said(FIELDS[key], default.value, shown),
            "source": source_said(default.source, shown),
        }

    pair = caution_pair(_LOOSER, **given())
    if pair.english is None:
        return pair.said
    with speaking(words_of(SOURCE)):
        return str(Caution(pair.said, _(_LOOSER, **given())))


def to_mind(held_to: LimitSet, shown: Shown) -> Sequence[str]:
    """Return what somebody who sets these limits must know of them."""
    out = []
    for key in _NEVER_LOOSER:
        there = held_to.get(key)
        if there is not None and float(there.value) > float(DEFAULT_LIMITS[key].value):
            out.append(_looser(key, there.value, shown))
    for keys in _IN_ORDER:
        numbers = [held_to.number(k) for k in keys]
        if numbers != sorted(numbers):
            labels = ", ".join(
                f"{_(FIELDS[k].words)} {said(FIELDS[k], n, shown)}"
                for k, n in zip(keys, numbers, strict=True)
            )
            out.append(_("These do not rise from check to stop: {labels}.", labels=labels))
    return out
