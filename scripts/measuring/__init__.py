"""From windows and outcomes, one file each in their own folders, to values with a verdict.

person.py lays out what is known of one person, cutting.py cuts sessions into windows, inputs.py
makes what windows, outcomes and quality rules ask for, sensors.py says which
sensor counts, quality_rules.py judges, values.py measures.
"""
