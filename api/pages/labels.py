"""Placing labels in a drawing so that no two of them touch."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

GLYPH = 0.6
"""Widest mean advance of a digit or lower-case letter in system fonts, per em (engineering judgement)."""


NOTE_SIZE = 13.0
"""Size of the smaller words after a number, in drawing units."""


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle in drawing units, y downwards."""

    x: float
    y: float
    width: float
    height: float

    def touches(self, other: "Box") -> bool:
        """Whether the two share any area."""
        return (
            self.x < other.x + other.width
            and other.x < self.x + self.width
            and self.y < other.y + other.height
            and other.y < self.y + self.height
        )

    def holds(self, other: "Box") -> bool:
        """Whether the other lies wholly inside."""
        return (
            self.x <= other.x
            and self.y <= other.y
            and other.x + other.width <= self.x + self.width
            and other.y + other.height <= self.y + self.height
        )


@dataclass(frozen=True, slots=True)
class Wanted:
    """A label that wants to stand near a point; the earlier in the list, the nearer it gets."""

    text: str
    x: float
    y: float
    size: float = 15.0
    kind: str = ""
    probe: str = ""
    struck: bool = False
    note: str = ""
    away: float = 10.0
    led: bool = True

    @property
    def width(self) -> float:
        """Estimated width in drawing units."""
        note = (len(self.note) + 0.5) * NOTE_SIZE * GLYPH if self.note else 0.0
        return len(self.text) * self.size * GLYPH + note + 4


@dataclass(frozen=True, slots=True)
class Label:
    """A placed label; `leader` is drawn from the point to the text when they ended up apart."""

    wanted: Wanted
    box: Box
    leader: tuple[float, float, float, float] | None

    @property
    def baseline(self) -> float:
        """Where the text stands."""
        return self.box.y + self.wanted.size * 0.92

    @property
    def text_x(self) -> float:
        """Where the text begins, or ends when it stands to the left of its point."""
        return self.box.x + self.box.width - 2 if self.anchor == "end" else self.box.x + 2

    @property
    def anchor(self) -> str:
        """Which end of the text is held: the one nearer to its point."""
        return "end" if self.box.x + self.box.width <= self.wanted.x else "start"


def place(wanted: Sequence[Wanted], bounds: Box, taken: Iterable[Box] = ()) -> tuple[Label, ...]:
    """Give every label a place inside `bounds` where it touches no other and none of `taken`.

    Notes
    -----
    A label for which nowhere is left is dropped: the table beside the drawing still has its number.
    """
    boxes = list(taken)
    placed: list[Label] = []
    for each in wanted:
        box = next((b for b in _places(each, bounds) if not any(b.touches(other) for other in boxes)), None)
        if box is None:
            continue
        boxes.append(box)
        placed.append(Label(each, box, _leader(each, box) if each.led else None))
    return tuple(placed)


def _places(each: Wanted, bounds: Box) -> Iterator[Box]:
    width, height = each.width, each.size * 1.2
    right, left, middle = each.x + each.away, each.x - each.away - width, each.x - width / 2
    for shift in (0.0, -0.5, 0.5, -0.9, 0.9):
        for x in (right, left):
            box = Box(x, each.y - height / 2 + shift * height, width, height)
            if bounds.holds(box):
                yield box
    for y in (each.y - each.away - height, each.y + each.away):
        box = Box(middle, y, width, height)
        if bounds.holds(box):
            yield box
    yield from sorted(_grid(bounds, width, height), key=lambda b: _distance(each, b))


def _grid(bounds: Box, width: float, height: float) -> Iterator[Box]:
    step_x, step_y = 12.0, max(height / 2, 4.0)
    for row in range(int((bounds.height - height) / step_y) + 1):
        for column in range(int((bounds.width - width) / step_x) + 1):
            yield Box(bounds.x + column * step_x, bounds.y + row * step_y, width, height)


def _distance(each: Wanted, box: Box) -> float:
    across = max(box.x - each.x, each.x - box.x - box.width, 0.0)
    along = box.y + box.height / 2 - each.y
    return across**2 + 2 * along**2


def _leader(each: Wanted, box: Box) -> tuple[float, float, float, float] | None:
    """Return a short line to the label if it does not stand beside its point."""
    end_x = box.x if box.x > each.x else box.x + box.width if box.x + box.width < each.x else each.x
    end_y = min(max(each.y, box.y), box.y + box.height)
    if end_x == each.x:
        end_y = box.y if box.y > each.y else box.y + box.height
    if abs(end_x - each.x) <= each.away + 4 and abs(end_y - each.y) <= each.away + 4:
        return None
    return (each.x, each.y, end_x, end_y)
