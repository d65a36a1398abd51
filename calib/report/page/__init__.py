"""The report: one page of a rig, with everything in it and nothing from elsewhere."""
