"""The drafted imaging note that a vet corrects and signs."""
