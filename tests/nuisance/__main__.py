"""`python -m tests.nuisance`: seasons of sound enclosures; exit status 1 if any latches or alerts too often."""

import argparse
import sys

from tests.nuisance.season import BUILT, MOST_ALERTS_A_DAY, Found, season

DAYS, SEEDS = 120, 5


def line(name: str, seed: int, found: Found) -> str:
    """Return one line of the table."""
    worst = max(found.alerts.values(), default=0)
    names = ", ".join(f"{each} {count}" for each, count in found.alert_names.most_common(4))
    return (
        f"{name:26} seed {seed}: latched {len(found.trips)}, alerts {found.alerts.total()}, worst day {worst}; "
        f"air to {found.hottest_air_c:.0f} Cel, heat {found.heated_share:.0%}, full {found.full_share:.0%}  [{names}]"
    )


def holds(found: Found) -> bool:
    """Whether the season was without nuisance."""
    return not found.trips and max(found.alerts.values(), default=0) < MOST_ALERTS_A_DAY


def main() -> int:
    """Run the seasons asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.nuisance", description=__doc__)
    parser.add_argument("name", nargs="*", choices=[*BUILT, []], help="which enclosures (default: all)")
    parser.add_argument("--days", type=int, default=DAYS)
    parser.add_argument("--seeds", type=int, default=SEEDS)
    asked = parser.parse_args()
    sound = True
    for name in asked.name or BUILT:
        for seed in range(1, asked.seeds + 1):
            found = season(BUILT[name], seed, asked.days)
            sound = sound and holds(found)
            print(line(name, seed, found), flush=True)
            for day, words in found.trips[:20]:
                print(f"    day {day:.2f}: {words}", flush=True)
    return 0 if sound else 1


if __name__ == "__main__":
    sys.exit(main())
