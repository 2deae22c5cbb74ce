"""The choice: accuracy against microwatts over sensor settings and models, from one recording.

``knobs`` say what is tried, ``at_setting`` is a data set as another setting would have read it,
``halving`` tries cheaply first, ``pricing`` prices what is tried, ``pareto`` and ``resamples`` say
what is worth having and how surely, ``frontier`` is the order of it all.
"""
