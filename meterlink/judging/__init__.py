"""From a settled display and what is known of the meter to a verdict: uncertainty, decision rule, probability."""
