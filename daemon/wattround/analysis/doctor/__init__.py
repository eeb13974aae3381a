"""What a bug report needs to say, and must not: facts about a house's wattround without its secrets and names."""
