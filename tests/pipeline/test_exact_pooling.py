import pytest
import torch
import torch.nn.functional as F

from pipeline.exact_pooling import highest_around, means_of_squares


@pytest.mark.parametrize("memory_format", [torch.contiguous_format, torch.channels_last])
@pytest.mark.parametrize(("height", "width"), [(2, 2), (40, 62), (41, 62), (40, 63), (1, 1)])
def test_means_and_maxima_equal_pytorchs_bit_for_bit(
    height: int, width: int, memory_format: torch.memory_format
) -> None:
    generator = torch.Generator().manual_seed(height + width)
    images = torch.randint(0, 256, (2, 3, height, width), generator=generator, dtype=torch.uint8)
    images = images.contiguous(memory_format=memory_format)
    for side in (2, 3):
        assert torch.equal(means_of_squares(images, side), F.avg_pool2d(images.float(), side, ceil_mode=True))
    maps = torch.randn((2, 3, height, width), generator=generator).contiguous(memory_format=memory_format)
    assert torch.equal(highest_around(maps), F.max_pool2d(maps, 3, 1, 1))
    assert torch.equal(highest_around(images.float()), F.max_pool2d(images.float(), 3, 1, 1))
