"""The scales of a section: levels along its side, temperatures along its foot."""

from api.pages import words
from api.pages.frame import Frame, Tick
from api.pages.words import Unit
from controller.enclosure_settings import Enclosure


def root_depth_m(enclosure: Enclosure) -> float | None:
    """[m] depth the set point is held at: the middle one of the soil probes."""
    depths = sorted(p.depth_m for p in enclosure.probe if p.quantity == "soil" and p.depth_m is not None)
    return depths[(len(depths) - 1) // 2] if depths else None


def levels(enclosure: Enclosure, drawn: Frame) -> tuple[Tick, ...]:
    """Return the marks of the height scale that fit without touching: ground, root and ends before the rest."""
    root = root_depth_m(enclosure)
    wanted = [0.0, *([-root] if root else []), enclosure.shape.height_m]
    wanted += sorted({p.level_m for p in enclosure.probe if p.level_m is not None and p.quantity != "outside"})
    ticks: list[Tick] = []
    for level_m in wanted:
        y = drawn.y(level_m)
        if all(abs(y - other.at) >= 15 for other in ticks):
            sign = words.MINUS if level_m < 0 else ""
            ticks.append(Tick(y, "ground" if level_m == 0 else sign + words.length(abs(level_m))))
    return tuple(ticks)


def degrees(drawn: Frame, unit: Unit) -> tuple[Tick, ...]:
    """Return round temperatures along the foot of the drawing."""
    least, most = unit.shown(drawn.least_c), unit.shown(drawn.most_c)
    step = next((s for s in (2, 5, 10, 20, 50) if (most - least) / s <= 5), 100)
    first = int(-(-least // step)) * step
    shown = [float(value) for value in range(first, int(most) + 1, step)]
    width = most - least
    back = [drawn.least_c + (value - least) / width * (drawn.most_c - drawn.least_c) for value in shown]
    return tuple(
        Tick(drawn.x(value_c), words.number(value, 0) + (f" {unit.sign}" if index == len(shown) - 1 else ""))
        for index, (value, value_c) in enumerate(zip(shown, back, strict=True))
    )
