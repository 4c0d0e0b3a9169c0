"""Poses to placement: floor, wheels, thrust line, placement error, verdict and the files people keep; knows no pixels.

`calib` is the trade's word: the set-up in which a *car's* sensor is calibrated. Calibrating our own camera is `vision.lens`.
"""
