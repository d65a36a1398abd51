"""A solve that ends in an error, looked into: what its residuals follow is told first, as a camera
at fault leaves itself or its neighbours open.
"""

from __future__ import annotations

from calib.check.residuals import ResidualTable
from calib.check.verdicts import Fault
from calib.core.names import listed
from calib.core.rig import Doubt
from calib.errors import UnsolvableError

# What a wave may lack: the error itself says so, and better.
OF_THE_WAVE = {Fault.TOO_FEW, Fault.ONE_SIDED}


def explained(error: UnsolvableError, table: ResidualTable) -> UnsolvableError:
    """Return the error with what the fit that was refused shows first to be at fault before what
    was found; as it is where its table shows nothing.
    """
    for one in table.told:
        if isinstance(one, Doubt):
            return _told(error, str(one), one.cameras)
        if one.causes[0].cause not in OF_THE_WAVE:
            return _told(error, str(one.causes[0]), (one.name,))
    return error


def _told(error: UnsolvableError, finding: str, cameras: tuple[str, ...]) -> UnsolvableError:
    """Return the error of a finding, which says what was seen and then what to do."""
    seen, _, remedy = finding.partition(". ")
    stop = "" if remedy.endswith(".") else "."  # none after a command that ends a line
    return UnsolvableError(
        listed(cameras) or error.where,
        expected="one rig for all points",
        found=seen[:1].lower() + seen[1:],
        remedy=f"{remedy}{stop} As it is the solve lacks {error.expected}: "
        f"{error.found.split('; ')[0]}.",
        cameras=cameras or error.cameras,
    )
