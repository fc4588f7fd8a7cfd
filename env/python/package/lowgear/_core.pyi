"""Types of the native part."""

import os
from typing import Any, final

import numpy as np
from numpy.typing import NDArray

__all__ = ["Batch"]

@final
class Batch:
    """Worlds side by side."""

    def __new__(
        cls,
        envs: int,
        autoreset: str,
        encoded: bool,
        split: str,
        study: str | os.PathLike[str] | None = None,
        vehicle: str | os.PathLike[str] | None = None,
        course: str | os.PathLike[str] | None = None,
    ) -> Batch: ...
    @property
    def observations(self) -> NDArray[np.float32]: ...
    @property
    def final_observations(self) -> NDArray[np.float32]: ...
    @property
    def terms(self) -> NDArray[np.float64]: ...
    @property
    def states(self) -> NDArray[np.float64]: ...
    @property
    def masks(self) -> NDArray[np.bool_]: ...
    @property
    def rewards(self) -> NDArray[np.float64]: ...
    @property
    def elapsed_s(self) -> NDArray[np.float64]: ...
    @property
    def terminated(self) -> NDArray[np.bool_]: ...
    @property
    def truncated(self) -> NDArray[np.bool_]: ...
    @property
    def width(self) -> int: ...
    @property
    def vehicle(self) -> str: ...
    @property
    def decision_s(self) -> float: ...
    def reset(
        self,
        seed: int | None = None,
        episode: int | None = None,
        vehicle: str | os.PathLike[str] | None = None,
        course: str | os.PathLike[str] | None = None,
        only: NDArray[np.bool_] | None = None,
    ) -> None: ...
    def step(self, actions: NDArray[np.int64]) -> None: ...
    def outcome(self, env: int) -> dict[str, Any] | None: ...
    def episode(self, env: int) -> int: ...
    def picture(self, env: int, width: int, height: int) -> NDArray[np.uint8]: ...
