"""The arrays that the calculation works on."""

import numpy as np
import numpy.typing as npt

__all__ = ["BOOL", "F64", "I64", "U8"]

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
U8 = npt.NDArray[np.uint8]
BOOL = npt.NDArray[np.bool_]
