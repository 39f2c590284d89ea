"""The circuit: what each point should read, what a reading rules out, where to put the probe next."""
