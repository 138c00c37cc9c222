"""What each of two launched processes does in the tests of teams (it runs in processes of its own)."""

from __future__ import annotations

import sys

import torch
from torch import nn

from mission.mission_file import load_mission
from mission.model_file import TrainingSettings
from pipeline.detector import HeatMapDetector
from pipeline.processors import ChosenDevice
from pipeline.readers import Readers
from pipeline.reservoir import Reservoir
from pipeline.tasks import DetectorTask, ReaderTask
from pipeline.team import World
from pipeline.tensor_files import write_tensors
from pipeline.training import Budget, train
from tests.pipeline.drawn_chips import DrawnChips, boxes_in_chips
from tests.pipeline.test_fit import MODEL

SETTINGS = TrainingSettings(batch=4, learning_rate=0.05, weight_decay=0.0, average_decay=0.5, clip_norm=1e9)
STEPS = 12


class Points:
    """Gives points on the x axis in place of chips."""

    def __init__(self, x):
        self.x = x

    def batch(self, n):
        chips = boxes_in_chips([(0, 0, 0, 20, 20)])
        chips.image = self.x[:, None]
        return chips

    def place(self):
        return {}

    def go_to(self, place):
        pass


class Parabola:
    """y = x squared, by a line: a network whose end depends on which points it saw."""

    name = "parabola"

    def losses(self, network, chips):
        return {"square": ((network(chips.image) - chips.image**2) ** 2).mean()}

    def validate(self, network):
        return {}


def points(rank):
    return torch.linspace(-1.0, 2.0, 8)[rank::2]


def learn(x, team_of=None):
    """The weights after some steps on the points x."""
    torch.manual_seed(0)
    network = nn.Linear(1, 1)
    more = {} if team_of is None else {"team": team_of}
    train(Parabola(), network, Points(x), SETTINGS, Budget(steps=STEPS), ChosenDevice("cpu", False), **more)
    return network.state_dict()


def learn_parts(rank, team):
    """The parameters of a small detector and small readers after two steps on chips that no other member has."""
    vocabulary = load_mission("harrow-fen").panels.vocabulary
    learnt = {}
    for part, settings in (("detector", MODEL.detector_training), ("readers", MODEL.reader_training)):
        torch.manual_seed(0)
        network = HeatMapDetector(MODEL.detector) if part == "detector" else Readers(MODEL.readers, vocabulary)
        focus = None if part == "detector" else "panel"
        source = DrawnChips(vocabulary, seed=rank, chip_px=96, focus=focus)
        held_out = source.batch(2)
        task = DetectorTask(held_out) if part == "detector" else ReaderTask(held_out, 0)
        reservoir = Reservoir(source, capacity=16, uses_per_chip=4, mirrored=part == "detector", seed=rank)
        train(task, network, reservoir, settings, Budget(steps=2), ChosenDevice("cpu", False), team=team)
        learnt |= {f"{part}.{name}": value for name, value in network.named_parameters()}
    return learnt


if __name__ == "__main__":
    world = World.here()
    with world.joined(ChosenDevice("cpu", False)):
        team = world.teams(("detector", "readers"), False)["detector"]
        weights = learn(points(team.rank), team) | learn_parts(team.rank, team)
        write_tensors(f"{sys.argv[1]}/{team.rank}.safetensors", weights)
        world.wait()
