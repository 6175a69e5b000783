"""Side views: the part's outline at sub-pixel, its base line, crown, limbs, feet and folds."""
