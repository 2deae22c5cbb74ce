"""Attacks on people: what the values of a step tell of whoever was in front of the sensor.

An attacker has values of each take at one step of the chain and knows nothing of the optic. It asks
who it is of those enrolled (:mod:`.identity`), whether two recordings are of one person whom it has
not met before (:mod:`.same_person`), what kind of person it is (:mod:`.attributes`), and whether
the person was among those a model learned from (:mod:`.membership`, :mod:`.shadows`). Every figure
is a gain over the blind guess with an interval over people, which is widened where the strongest of
several attackers is told. :mod:`.attackers` are the classifiers, :mod:`.rates` the figures,
:mod:`.enrolled` which takes an attacker has and which it is asked about. What a mitigation leaves
of it and costs is in :mod:`.mitigations`, its :mod:`.changes`, and what noise promises in
:mod:`.noise`.

That lensless sensors have to be held against stated attackers, as mixed light alone does not
protect, is shown of pictures by S. Khan and others (OpEnCam: Lensless Optical Encryption Camera,
2023, arXiv 2312.01077, abstract).
"""
