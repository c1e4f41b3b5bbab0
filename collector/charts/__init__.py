"""Charts of the past.

``kinds.charts_of`` says which there are, ``kinds.chart`` gathers one as plain figures,
``drawing.svg_of`` draws it and ``shapes.rows_of`` lists the same figures.
"""
