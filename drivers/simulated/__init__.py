"""Controllers in Python that speak the same wire as the firmware, and a plant for them to drive."""
