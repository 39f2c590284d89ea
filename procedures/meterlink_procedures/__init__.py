"""The shipped procedures, as YAML files read with `importlib.resources`."""
