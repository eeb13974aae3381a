"""What a change would have saved, on the household's own recorded minutes and tariff."""
