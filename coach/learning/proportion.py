"""Quantiles of the Beta distribution: intervals of clean rates.

Source of the continued fraction: NIST Digital Library of Mathematical Functions, 8.17.22, evaluated by the modified
Lentz method.
"""

from __future__ import annotations

import math


def beta_quantile(probability: float, a: float, b: float) -> float:
    """Quantile of Beta(a, b) to 1e-9, by bisection of the regularised incomplete beta function."""
    low, high = 0.0, 1.0
    while high - low > 1e-9:
        middle = (low + high) / 2
        if incomplete_beta(middle, a, b) < probability:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def incomplete_beta(x: float, a: float, b: float) -> float:
    """Regularised incomplete beta function I_x(a, b) by its continued fraction (DLMF 8.17.22), modified Lentz."""
    if x <= 0 or x >= 1:
        return 0.0 if x <= 0 else 1.0
    if x > (a + 1) / (a + b + 2):
        return 1 - incomplete_beta(1 - x, b, a)
    front = math.exp(
        math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    )
    tiny = 1e-300
    c, d = 1.0, 1 - (a + b) * x / (a + 1)
    d = 1 / (d if abs(d) > tiny else tiny)
    result = d
    for m in range(1, 500):
        for term in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1 + term * d
            d = 1 / (d if abs(d) > tiny else tiny)
            c = 1 + term / c
            c = c if abs(c) > tiny else tiny
            result *= c * d
        if abs(c * d - 1) < 1e-14:
            break
    return front * result / a
