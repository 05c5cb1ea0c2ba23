"""Numbers of nature as ngspice has them.

They are the values that were recommended in 2014. Of the voltage across a junction the exponent is
some thirty: with today's values a current would differ by one part in 100,000.
"""

from __future__ import annotations

BOLTZMANN = 1.38064852e-23
"""J/K (CODATA 2014)."""
CHARGE = 1.6021766208e-19
"""C (CODATA 2014)."""
KELVIN = 300.15
"""K, the simulator's 27 °C."""
THERMAL = BOLTZMANN / CHARGE * KELVIN
"""V, of a junction with an emission coefficient of one."""
GMIN = 1e-12
"""S across every junction (ngspice's default)."""
CELSIUS = 27.0
"""°C at which the parameters of a model hold, and for which alone these laws are."""
