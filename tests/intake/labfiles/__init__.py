"""A generator of laboratory result files that knows what the laboratory meant. Start at `generate.make_case`."""
