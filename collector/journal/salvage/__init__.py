"""What is done about a damaged journal: read what can be read, put a fresh one in its place.

``pages`` reads the file as bytes, ``tables`` says of which table a row is, ``rebuild`` makes the
fresh journal, ``opening`` is what a start does, ``restoring`` goes back to a copy.
"""
