"""Pixels to poses: photographs of printed boards become a survey of board poses with joint covariance; knows no car.

Calibrating *our own* camera is done here and is called *lens* everywhere (`vision.lens`). The word *calib* is kept for
the set-up in which a car's sensor is calibrated (package `calib`).
"""
