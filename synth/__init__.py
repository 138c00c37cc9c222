"""What the camera would see: scene, ground, panels, people, clutter, light, optics, sensor."""
