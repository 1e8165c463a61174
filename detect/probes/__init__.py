"""What the steel felt: contact probability, contact depth, the seabed."""

from detect.probes.contacts import (
    ContactModel,
    contact_indicator,
    contact_model,
    contact_probability,
    correct_order,
)
from detect.probes.depths import contact_depth_model, seabed_model

__all__ = [
    "ContactModel",
    "contact_depth_model",
    "contact_indicator",
    "contact_model",
    "contact_probability",
    "correct_order",
    "seabed_model",
]
