"""The answer as frozen data: suspects, verdict, notes, and what became of a repair."""
