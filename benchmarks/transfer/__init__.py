"""Does what is learnt on rendered chips hold on real photographs? A judge that shares nothing with the renderer, and a loop."""
