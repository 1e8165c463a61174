"""What the steel felt: contact probability, contact depth, the seabed."""

from detect.probes.censored import CensoredFit, fit_censored
from detect.probes.contacts import (
    ContactModel,
    contact_indicator,
    contact_model,
    contact_probability,
    correct_order,
)
from detect.probes.depths import ContactDepth, contact_depth, contact_depth_model
from detect.probes.kinds import KindModel, as_name, kind_model, kind_probabilities
from detect.probes.seabed import relief, seabed_model
from detect.probes.section import Section, cut_section
from detect.probes.survival import kaplan_meier, median_depth

__all__ = [
    "CensoredFit",
    "ContactDepth",
    "ContactModel",
    "KindModel",
    "Section",
    "as_name",
    "contact_depth",
    "contact_depth_model",
    "contact_indicator",
    "contact_model",
    "contact_probability",
    "correct_order",
    "cut_section",
    "fit_censored",
    "kaplan_meier",
    "kind_model",
    "kind_probabilities",
    "median_depth",
    "relief",
    "seabed_model",
]
