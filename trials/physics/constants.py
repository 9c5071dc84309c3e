"""Constants, each with its unit and where it is fixed."""

from __future__ import annotations

# Standard acceleration of free fall, exact by definition (3rd CGPM, 1901; ISO 80000-3).
STANDARD_GRAVITY_M_S2 = 9.80665

# Conventional millimetre of water, exact: 1 mm of water of 1000 kg/m^3 under standard gravity.
PA_PER_MM_H2O = 9.80665

# Step of the R10 series of preferred numbers (ISO 3) as workshops round it: the tenth root of 10
# is 1.2589. Ten steps multiply by ten; three steps double.
USUAL_STEP_RATIO = 1.26
