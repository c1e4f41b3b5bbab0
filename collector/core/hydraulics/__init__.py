"""Pumps, mains and where they meet: flows from curves, in SI units (m3/s, m, s).

    curves       head and flow of one pump at full speed
    friction     loss in a straight pipe
    mains        loss of a rising main, its system curve
    operating    where running pumps and main meet, and how the flow moves with level and wear
    acceptance   how far a curve can be believed
    flow_table   flow by level, prepared for many questions
    stations     the pumps and main of each well of a plant file

The wear factor of a pump multiplies its flow at equal head: 1 is the curve, 0.85 a pump that gives
15 % less against the same pressure. All figures are estimates, no custody measurement.
"""
