"""What ears decided in blind comparisons, in the words that the dossier and the archive page share."""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace

from dossier.model.ears import Agreement, RunTold
from dossier.model.index import BeatSummary
from dossier.render import format as fmt


def often(share: float) -> str:
    """`7 of 100`."""
    for of, words in ((100, "100"), (1000, "1,000")):
        if share >= 0.95 / of:
            return f"{int(of * share + 0.5)} of {words}"
    return "less than 1 of 1,000"


def told(one: RunTold) -> str:
    """`preferred drums treated to drums as they are in 7 of 8; a coin would do this in 7 of 100`."""
    of = sum(one.counts)
    first = 0 if one.task == "discrimination" or one.counts[0] >= one.counts[1] else 1
    better, worse, hits = one.sides[first], one.sides[1 - first], one.counts[first]
    if one.task == "discrimination":
        text = f"told {better} from {worse} in {hits} of {of}"
    elif not of:
        text = f"heard no difference between {better} and {worse} in {one.same} of {one.same}"
    else:
        text = f"preferred {better} to {worse} in {hits} of {of}"
        if 2 * hits == of:
            text = f"preferred {better} as often as {worse}, {hits} of {of} each"
        text += f", no difference in {one.same} more" if one.same else ""
    if one.rounds < one.planned:
        return f"{text}; stopped after {one.rounds} of {one.planned} rounds"
    tells = one.coin is not None and (one.task == "discrimination" or 2 * hits != of)
    return f"{text}; a coin would do this in {often(one.coin or 0.0)}" if tells else text


def against(one: RunTold) -> str:
    """Whether a whole run prefers what was advised: empty where it says neither, or both were held to be as good."""
    low, high = sorted(one.counts)
    if one.task != "preference" or one.rounds < one.planned or low == high or not one.advised:
        return ""
    return "as advised" if one.sides[one.counts.index(high)] == one.advised else "against the advice"


def lines(found: Sequence[RunTold]) -> list[str]:
    """One sentence a run, newest first."""
    said = [(f"{one.by} on {one.revision}: {told(one)}", against(one)) for one in reversed(found)]
    return [f"{text} ({verdict})." if verdict else f"{text}." for text, verdict in said]


def agreement_sentence(found: Agreement | None) -> str:
    if found is None:
        return ""
    low, high = round(100 * found.low), round(100 * found.high)
    return (
        f"Listeners of this archive preferred what was advised in {found.agreed} of {found.of} blind comparisons in "
        f"which they preferred one (95{fmt.NBSP}% interval {low} to {high}{fmt.NBSP}%, Wilson 1927)."
    )


def project_view(beats: Sequence[BeatSummary], agreement: Agreement | None) -> SimpleNamespace:
    """Over all beats: how often ears and advice agree, and where they do not."""
    cast = [(beat, vote) for beat in beats for vote in beat.votes if vote.advised]
    agreed = sum(vote.preferred == vote.advised for _, vote in cast)
    counts = f"Listeners preferred what was advised in {agreed} of {fmt.count(len(cast), 'blind comparison')}."
    return SimpleNamespace(
        any=any(beat.heard for beat in beats), sentence=agreement_sentence(agreement) or (counts if cast else ""),
        against=[
            (beat.newest.title, beat.slug, f"{vote.by}, {vote.revision}: {vote.preferred} rather than {vote.over}")
            for beat, vote in cast if vote.preferred != vote.advised
        ],
    )  # fmt: skip
