"""What the geometry of a bay is: floor, wheels, vehicle, stand and placement, from poses with joint covariance."""
