"""What plays, records and is calibrated: readings taken by a sound card."""
