"""From the store's lines to curves: amounts, samples, series.

`amounts` says what each bed got and how far it thins the soil, `samples` what was pulled and
measured, `series` pairs, compares and fits, `comparison` takes one
date of them. Used by the screens, the exports and notebooks.
"""
