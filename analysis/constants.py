"""Constants of nature and of the trade, each with its source."""

from math import pi

#: Vacuum magnetic permeability, N/A^2. CODATA 2022.
MU0 = 1.25663706127e-6

#: Conventional density of air and of weights, kg/m³: a balance is adjusted with
#: weights of 8000 kg/m³ in air of 1.2 kg/m³. JCGM 101:2008, 9.3.1.2; OIML D 28.
AIR_DENSITY_CONVENTIONAL = 1.2
WEIGHT_DENSITY_CONVENTIONAL = 8000.0

#: One oersted in A/m: 1000/(4 pi). Goldfarb & Fickett, NBS SP 696 (1985).
OERSTED = 1000.0 / (4.0 * pi)
