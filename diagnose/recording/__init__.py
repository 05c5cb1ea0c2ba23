"""From a sound file to readings."""
