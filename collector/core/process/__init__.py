"""Air, filters, chemicals, contact, clarifiers, meters and towed tanks, from contacts and flows.

Every figure is an estimate with bounds; what is not known is None, never 0.
"""
