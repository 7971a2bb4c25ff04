"""Makes what reads and writes a plant's payloads of their schema: `python -m tests.support.make_plant_schema`."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

PLANT = Path(__file__).resolve().parents[2] / "capture" / "mqtt" / "plant"


def protoc(*words: str) -> None:
    """Run the protobuf library's own compiler on the schema."""
    told = [sys.executable, "-m", "grpc_tools.protoc", f"-I{PLANT}", *words, "sparkplug_b.proto"]
    subprocess.run(told, check=True, capture_output=True)


if __name__ == "__main__":
    protoc(f"--python_out={PLANT}", f"--pyi_out={PLANT}")
