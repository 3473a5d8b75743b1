"""Synthetic cues and hands, fitting the network, evaluating it."""
