"""Cholesky's factor of small positive definite matrices inside compiled loops.

Source: Golub & Van Loan, Matrix Computations, 4th edition 2013, section 4.2.
"""

from __future__ import annotations

import math

from calib.core.compiled import compiled
from calib.core.geometry import Array


@compiled
def factor_in_place(A: Array) -> bool:
    """Turn the lower half of A (n, n) into L with L Lᵀ = A; False where A is not positive
    definite.
    """
    for i in range(len(A)):
        for j in range(i + 1):
            value = A[i, j]
            for k in range(j):
                value -= A[i, k] * A[j, k]
            if j < i:
                A[i, j] = value / A[j, j]
            elif value > 0.0:
                A[i, i] = math.sqrt(value)
            else:
                return False
    return True


@compiled
def solve_in_place(L: Array, b: Array) -> None:
    """Turn b (n,) into the solution of L Lᵀ x = b; L is the lower half."""
    n = len(b)
    for i in range(n):
        for k in range(i):
            b[i] -= L[i, k] * b[k]
        b[i] /= L[i, i]
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            b[i] -= L[k, i] * b[k]
        b[i] /= L[i, i]
