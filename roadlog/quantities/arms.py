"""The two arms of a test."""

from typing import Literal

Arm = Literal["baseline", "fitted"]
ARMS: tuple[Arm, Arm] = ("baseline", "fitted")
