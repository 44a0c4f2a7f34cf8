"""Where a closure presses on the crown, face by face."""

from __future__ import annotations

import numpy as np

from occlusim.crown.access_contacts import Pressed
from occlusim.motion.equilibrium import Equilibrium


def pressed_in_closure(name: str, closure: Equilibrium, index: int, n_faces: int) -> Pressed:
    """Return area and vertical force on each face of the body of a closure's opposition."""
    face, load = closure.prints[index].face, closure.loads[index]
    area_mm2, load_N = np.zeros(n_faces), np.zeros(n_faces)
    area_mm2[face], load_N[face] = load.area_mm2, load.vertical_N
    return Pressed(name, area_mm2, load_N)
