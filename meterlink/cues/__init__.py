"""What is heard: a tone for each kind of cue, and speech in the technician's language."""
