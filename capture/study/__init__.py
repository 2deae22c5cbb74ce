"""A study of many people at several stations: what is planned, what is done, who is next.

``plan`` reads ``study.toml``, ``orders`` balances who does what in which order, ``drawing`` draws
the locked set; ``provenance`` and ``session_names`` are what a station adds to each recording;
``seen`` looks at what is there, ``standing`` holds it against the plan; ``agreement`` and
``boundaries`` say how labellers agree over all of it, ``reviews`` reads their tables; ``command``
prints it, ``addresses`` gives it to a page.
"""
