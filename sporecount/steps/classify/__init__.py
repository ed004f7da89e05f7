"""From a place to what lies there: crops, looks, traits, probabilities; the model files and how they are made."""
