"""Replay of the fleet's power logs under settings that were never tried."""
