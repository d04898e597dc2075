"""What three growth libraries say of head circumferences, for tests/oracles.rs.

Reads cases, one a line: REFERENCE SEX X CM, where REFERENCE is who (X in days since birth), preterm (X in
days of postmenstrual age) or birth (X in days of gestation). Prints for each case one line of LIBRARY=Z,
parted by blanks, with the libraries that carry that reference.
"""

import datetime
import sys

from pygrowthstandards.data.load import GrowthTable
from pygrowthstandards.functional.data import DATA, get_lms
from pygrowthstandards.utils.stats import calculate_z_score
from pygrowup import Observation
from rcpchgrowth.global_functions import sds_for_measurement

SEX = {"M": "male", "F": "female"}
# The tables of pygrowthstandards. They are named here because its own choice among them takes days
# of gestation for weeks.
TABLES = {
    "who": ("child_growth", "age"),
    "preterm": ("very_preterm_growth", "age"),
    "birth": ("very_preterm_newborn", "gestational_age"),
}
opened = {}


def pygrowthstandards(reference, sex, x, cm):
    key = (reference, sex)
    if key not in opened:
        name, axis = TABLES[reference]
        opened[key] = GrowthTable.from_data(
            DATA, name, None, "head_circumference", sex.lower(), axis
        )
    return calculate_z_score(cm, *get_lms(opened[key], x))


def pygrowup2(sex, day, cm):
    # Told by two dates: the library takes an age of 0 days for none at all.
    born = datetime.date(2031, 4, 5)
    seen = born + datetime.timedelta(days=day)
    return float(Observation(SEX[sex], dob=born, date_of_observation=seen).hcfa(cm))


def rcpchgrowth(sex, day, cm):
    return sds_for_measurement(
        reference="who",
        age=day / 365.25,
        measurement_method="ofc",
        observation_value=cm,
        sex=SEX[sex],
    )


for line in sys.stdin:
    reference, sex, x, cm = line.split()
    x, cm = int(x), float(cm)
    said = {"pygrowthstandards": pygrowthstandards(reference, sex, x, cm)}
    if reference == "who":
        said["pygrowup2"] = pygrowup2(sex, x, cm)
        said["rcpchgrowth"] = rcpchgrowth(sex, x, cm)
    print(" ".join(f"{name}={float(z)!r}" for name, z in said.items()))
