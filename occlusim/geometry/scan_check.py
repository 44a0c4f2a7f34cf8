"""findings"""

from dataclasses import dataclass
from typing import Literal

Severity = Literal["info", "warning", "error"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing seen on a mesh, in plain words.

    `role` is what the mesh is for ('upper', 'lower', 'bite', 'crown', or '' where unknown) and
    `count` how many places it was seen at.
    """

    severity: Severity
    code: str
    message: str
    role: str = ""
    count: int = 0
