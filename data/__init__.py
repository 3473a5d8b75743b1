"""What goes in and out: cues, tempo, notes, lanes, profiles and the demo cues. Never imports torch."""
