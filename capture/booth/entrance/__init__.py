"""The booth's entrance: who may ask, and what stays open.

``guard`` says who may ask, ``doors`` how many may be there at once, ``windows`` tells those that
are open how something stands.
"""
