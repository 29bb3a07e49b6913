"""What this room calls its arrays."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.floating]
"""One channel of sound as it comes, in any scale where nothing else is said."""
Values = NDArray[np.float64]
Phasors = NDArray[np.complex128]
