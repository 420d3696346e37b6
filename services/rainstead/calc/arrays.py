"""The arrays that the calculation works on."""

import numpy as np
import numpy.typing as npt

__all__ = ["F64", "I64"]

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
