"""A layout drafted from images: what the bytes of several modules of one family suggest.

Every guess carries its evidence in sentences and a confidence in words. Nothing that looks
random, counts, or belongs to the module itself is proposed for blanking; what fits no rule
stays unknown. A person reviews the draft before anything is done with it.

The steps, each on what the earlier ones left: stores of records (`records`), vehicle
identity (`identity_guess`,
`identity_regions`), texts and dates (`texts`), checksums (`checksums`, `naturalness`),
state (`state`), counters (`counters`), random and equal data, configuration, empty space
(`data`), copies (`copies`).
"""
