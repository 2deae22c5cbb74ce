"""How labellers agree over a data set: in the names of takes, and in where they begin and end.

``tables`` reads who called what how; ``coefficients`` are Cohen's and Fleiss' kappa with intervals
over people, ``boundaries`` the distances between ends; ``whole`` joins them, ``words`` prints them.
"""
