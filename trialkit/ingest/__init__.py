"""From what instruments write to one outcome value per period, with the reason for every number.

``reading`` opens a recording, ``tables`` a plain table; ``segments`` cuts a recording, ``cleaning``
removes what cannot be true, ``measuring`` takes the outcome value. Import the module you need: the
readers and the table library are not loaded by this package itself.
"""
