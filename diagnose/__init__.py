"""From readings to suspects, and what to do next."""
