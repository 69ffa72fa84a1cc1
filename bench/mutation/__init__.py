"""Mutation: small wrong changes to rules, chart and declarations, and which check notices each."""
