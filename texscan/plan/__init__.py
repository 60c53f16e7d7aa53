"""From a scored survey to what to buy, in what order and by when."""
