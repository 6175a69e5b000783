"""How much light a film lets through: regions, camera noise and the model with its uncertainty."""
