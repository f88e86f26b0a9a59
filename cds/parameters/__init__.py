"""Every threshold, dose, rate and age limit: what it means, its unit, its figure for a population, and who says so.

The numbers stand in TOML files, one block a key, one row a figure (profile, date, source). This module takes the
parsed files and chooses, for adults and for children apart, the figure that holds. It reads no file.

```toml
[insulin_needs_potassium_at_least]
means = "serum potassium below which intravenous insulin waits"
unit  = "mmol/L"
range = [2.5, 4.5]                      # the only room a site has

[[insulin_needs_potassium_at_least.value]]
profile  = "consensus-2024"
since    = 2024-06-22
is       = 3.5
also     = [{ unit = "meq/L", is = 3.5 }]   # what the source prints in another unit
source   = "..."
verified = "from memory"

[[insulin_needs_potassium_at_least.value]]
profile  = "paediatric-2022"
since    = 2022-08-01
same_as  = "adult"                      # said by the source, never assumed
source   = "..."
verified = "from memory"
```

There is no way from an adult's figure to a child but a row that says so (HZ-17, F-44): a child without a row gets
`Absent`.
"""

from cds.parameters.choosing import parameter_set
from cds.parameters.figures import (
    ADULT_PROFILES,
    ANY,
    CHILD_PROFILES,
    POPULATIONS,
    SEIZURE_PROFILES,
    SITE,
    VERIFIED,
    Absent,
    Also,
    Limit,
    Parameter,
    ParameterError,
    ParameterSet,
    Population,
    Row,
    UnknownParameter,
    Value,
)
from cds.parameters.files import load_toml_text

__all__ = [
    "ADULT_PROFILES",
    "ANY",
    "CHILD_PROFILES",
    "POPULATIONS",
    "SEIZURE_PROFILES",
    "SITE",
    "VERIFIED",
    "Absent",
    "Also",
    "Limit",
    "Parameter",
    "ParameterError",
    "ParameterSet",
    "Population",
    "Row",
    "UnknownParameter",
    "Value",
    "load_toml_text",
    "parameter_set",
]
