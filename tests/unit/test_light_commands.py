"""Commands that only ask for something load nothing that learns or serves: a person waits for each of them."""

import subprocess
import sys


def test_whoever_adds_a_person_or_asks_for_pulses_waits_for_neither_pages_nor_planner() -> None:
    """Neither `soilward person` nor `soilward tune --pulses` uses any of it."""
    asked = (
        "import sys, api.__main__, controller.tuning.command\n"
        "print(sorted({each.partition('.')[0] for each in sys.modules} & {'fastapi', 'numpy', 'scipy', 'uvicorn'}))\n"
    )
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True, timeout=120)
    assert done.stdout.strip() == "[]"
