"""The wire: packets and messages, exposures to pairs, one time line, and the port itself.

``PROTOCOL.md`` in ``capture/`` says the same for C.
"""
