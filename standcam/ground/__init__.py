"""Ground scale: from pixels of a photo to centimetres on the soil."""
