"""What a waveform holds, whether it was simulated or recorded."""
