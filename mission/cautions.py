"""The cautions that go with every brief, report and list of finds: one text for all of them, so that none leaves one out.

They are reminders, no legal advice: local aviation rules and the people named in them come first.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Caution:
    """One caution: a few words of heading and the sentences under it, plain text."""

    heading: str
    text: str


CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "This program only advises",
        "It flies nothing and releases nothing. The aviation authority, the owner of the site, the safety officer and the"
        " licensed remote pilot overrule whatever it prints.",
    ),
    Caution(
        "Before and during the flight",
        "Keep to the height limit and within line of sight, read the airspace notices of the day, and post a spotter."
        " A pilot must be able to take over by hand at any moment. Nobody who is not part of the flight may be below it.",
    ),
    Caution(
        "Before launch, tested and not assumed",
        "Try out the geofence and what the aircraft does on a lost link and on a low battery. Land with the reserve"
        " that the rules and the maker of the battery ask for; the times given here hold none.",
    ),
    Caution(
        "A find is not a clear drop zone",
        "No person detected does not mean that no person is there: models miss people, and people walk in after the"
        " photograph. A second human watches the zone itself, and only the word of the pilot or the safety officer"
        " releases anything. Every find stays unconfirmed until a human has looked at it and says so.",
    ),
    Caution(
        "Finds that are held",
        "A find is held back when a person was found within the mission's keep-clear distance, when its ellipse of"
        " uncertainty leaves the zone, or when the ground around it was seen too coarsely. Held means: do not use it.",
    ),
    Caution(
        "A person is no delivery place",
        "Nothing is dropped at or near a person. The one exception is a dummy that the mission file declares as such.",
    ),
    Caution(
        "People in photographs",
        "Photograph people only as privacy law allows, keep no more of them than the exercise needs, and leave the"
        " blurring of people in previews switched on.",
    ),
    Caution(
        "Panels are exercise markers, not distress signals",
        "Tell the local rescue service where and when they lie out, use none of the marks that ground-to-air signals"
        " use (V, X, N, Y), and take every panel away afterwards.",
    ),
)

SHORT = (
    "Advice only: the authority, site owner, safety officer and remote pilot decide. No person found does not mean that"
    " nobody is there, and nothing is confirmed until a human says so."
)


def as_text() -> str:
    """All cautions as plain text, one paragraph each."""
    return "\n".join(f"{caution.heading}. {caution.text}" for caution in CAUTIONS)


def as_markdown() -> str:
    """All cautions as a Markdown list, as it stands in the README."""
    return "\n".join(f"- **{caution.heading}.** {caution.text}" for caution in CAUTIONS)
