"""The pages in the order in which somebody at the plant looks for them, each with the one question that it answers."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Place:
    """One page: its key, its address, its name in the navigation and its question."""

    key: str
    address: str
    words: str
    question: str
    main: bool = True
    """False: on a phone it stands in the list at the foot of each page, not in the bar."""


PLACES = (
    Place("motors", "/", "Motors", "Which motor needs somebody, and when may each be started again?"),
    Place("alerts", "/alerts", "Alerts", "What waits for somebody, and how far has it got?"),
    Place("signals", "/signals", "Signals", "What did a measured value do over hours or days?", main=False),
    Place("wire", "/wire", "Wire", "Does every connection bring readings?"),
    Place("bench", "/bench", "Map bench", "Is each register of this map read right?", main=False),
    Place("predict", "/predict", "Predict", "What would another starting method do to this motor, its load and its supply?"),
    Place("reports", "/reports", "Reports", "What happened in a day, a week or a month, fit to be printed and filed?", main=False),
    Place("handbook", "/handbook", "Handbook", "How is it done, and what does a word mean?", main=False),
    Place("wall", "/wall", "Wall", "From two metres: does any motor need somebody?", main=False),
)
QUESTIONS = {place.key: place.question for place in PLACES} | {
    "motor": "May this motor be started, which limit decides, and what was the last start like?",
    "compare": "How do these two starts differ?",
    "drift": "Do the starts of this motor slowly become others?",
}
