"""From signal to metal: conditioning, noise, anomalies, inversion."""
