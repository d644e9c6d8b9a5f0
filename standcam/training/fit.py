"""Fitting the stem network to samples: ``python -m standcam.training.fit SAMPLES.pkl... --out OUT.pt``.

On several GPUs of one machine: ``torchrun --nproc-per-node 2 -m standcam.training.fit ...``. Each process deals pieces
of its own, and gradients are averaged.
"""

from __future__ import annotations

import argparse
import io
import math
import os
import pickle
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import torch
from torch import distributed, nn
from torch.nn import functional as F

from standcam.plants.networks import STEP_PX
from standcam.training import CROP, UNSURE, WEED
from standcam.training.deck import Deck, Pieces, middles
from standcam.training.model import Form, StemNet, restored
from standcam.training.reduced import LOOKS, Look
from standcam.training.sample_file import write_whole
from standcam.training.start import from_onnx, widened

MOST_STEMS = 72
"""Stems of a piece that are looked at, crop first."""
KEPT_STEPS = 1000
"""Steps after which the mean of the weights is kept: a machine that is lent may be gone before the course ends."""
CLOCK_STEPS = 50
"""Steps after which the clock is looked at: by all processes at once, or their rates would drift apart."""


@dataclass(frozen=True)
class Targets:
    """What the network should say of a batch."""

    heat: torch.Tensor
    """Crop and weed. (n, 2, h, w)"""
    sure: torch.Tensor
    """0 about plants of which neither yes nor no is asked. (n, 1, h, w)"""
    offset: torch.Tensor
    """(n, 2, h, w) [steps]"""
    near: torch.Tensor
    """Where offsets count. (n, h, w)"""


def targets(pieces: Pieces, look: Look) -> Targets:
    """Heat and offsets on the output grid.

    Heat is a Gaussian of ``look.spread`` about each stem: narrow enough for doubles to stay two, wide enough that
    a place known to a few millimetres can be learnt. Offsets count within two and a half steps of a crop stem.
    """
    stem, kind = pieces.stem, pieces.stem_class
    w, h = look.cells
    most = torch.tensor([side / STEP_PX + 6 for side in look.shape_px], device=stem.device)
    inside = (kind >= 0) & ((stem > -6) & (stem < most)).all(dim=2)
    rank = torch.where(inside & (kind != WEED), 2, inside.long())
    chosen = rank.topk(min(MOST_STEMS, kind.shape[1]), 1).indices
    at = stem.gather(1, chosen[..., None].expand(-1, -1, 2))
    kind = torch.where(inside.gather(1, chosen), kind.gather(1, chosen), -1.0)
    across, down = middles(look, stem.device)
    far2 = ((across - at[..., 0, None]) ** 2)[:, :, None, :] + ((down - at[..., 1, None]) ** 2)[:, :, :, None]

    def nearest(which: int) -> tuple[torch.Tensor, torch.Tensor]:
        return torch.where((kind == which)[..., None, None], far2, 1e9).min(1)

    crop, whose = nearest(CROP)
    weed, unsure = nearest(WEED)[0], nearest(UNSURE)[0]
    x, y = (at[..., k].gather(1, whose.flatten(1)).view(len(at), h, w) for k in (0, 1))
    near = (crop < 6).float()
    return Targets(
        torch.exp(-torch.stack([crop, weed], 1) / (2 * look.spread**2)),
        (unsure >= 16).float()[:, None],
        torch.stack([x - across, y - down[:, None]], 1) * near[:, None],
        near,
    )


def loss_of(out: torch.Tensor, side: torch.Tensor, aim: Targets, pieces: Pieces, look: Look) -> torch.Tensor:
    """Cross entropy on soft heat weighed by the squared miss, Laplace likelihood on offsets, and the side head's own.

    The weighing (quality focal loss, Li et al. 2020, NeurIPS, eq. 3) keeps the many empty cells from drowning the
    few stems.
    """
    p = out[:, :2].sigmoid()
    miss = F.binary_cross_entropy_with_logits(out[:, :2], aim.heat, reduction="none") * (aim.heat - p).abs() ** 2
    of_one = 0.71 * 2 * math.pi * look.spread**2 * STEP_PX**2 / math.prod(look.cell)  # warm cells of a stem
    stems = (aim.heat > 0.7).float().sum((0, 2, 3)) / of_one
    crop, weed = (miss * aim.sure).sum((0, 2, 3)) / stems.clamp(min=4)
    log_sd = out[:, 4].clamp(-3, 2)
    far = (out[:, 2:4] - aim.offset).abs().sum(1)
    place = ((far * (-log_sd).exp() + 2 * log_sd) * aim.near).sum() / aim.near.sum().clamp(min=1)
    kind = F.cross_entropy(side[:, :3], pieces.ground)
    leaf = (pieces.ground == 1).float()
    way = (torch.tanh((side[:, 3:] - pieces.to_stem) / 8).abs().sum(1) * leaf).sum() / leaf.sum().clamp(min=1)
    return crop + 0.3 * weed + 0.25 * place + 0.5 * kind + 0.3 * way


@dataclass(frozen=True)
class Course:
    """How long and how fast to fit."""

    steps: int = 40_000
    seconds: float = 0.0
    """Ends this long after its beginning instead, unpacking and compiling in it; the rate follows the clock. 0: all
    steps. [s]"""
    part: tuple[float, float] = (0.0, 1.0)
    """Where in the cycle of the rate this run begins and ends, for a course in several runs."""
    batch: int = 64
    """Pieces a step and process."""
    rate: float = 2e-3
    """Highest learning rate of the cycle; 3e-3 serves from scratch."""
    seed: int = 1
    workers: int = 4
    """Threads that unpack the samples."""
    widths: tuple[int, ...] = Form.widths
    """Channels of the network's levels; what it starts from is widened to them."""
    depths: tuple[int, ...] = Form.depths
    plain: int = Form.plain
    """As of a ``Form``, where it starts from nothing or from ONNX."""


def fit(
    samples: list[dict],
    looks: Sequence[Look],
    course: Course,
    team: Team,
    start: Path | None = None,
    kept: Path | None = None,
    log=print,
) -> StemNet:
    """Fit a network and give the running mean of its weights, ``kept`` on the way too; steps take the looks in turn."""
    end = time.time() + course.seconds
    torch.manual_seed(course.seed)
    device = team.device
    seed = course.seed + 1000 * team.rank
    decks = {look: Deck(samples, look, device, seed, course.workers) for look in dict.fromkeys(looks)}
    log(f"decks of {[len(deck.size) for deck in decks.values()]} sheets", flush=True)
    net = _beginning(course, start, decks[looks[-1]])
    net.to(device, memory_format=torch.channels_last)  # type: ignore[call-overload]
    team.agree(net)
    on_gpu = device != "cpu"
    # replayed as a whole: launched one by one from Python, the steps of a small network take half as long again
    run = torch.compile(net, mode="reduce-overhead") if on_gpu else net
    aim_of = torch.compile(targets) if on_gpu else targets
    judge = torch.compile(loss_of) if on_gpu else loss_of
    torch.backends.cudnn.benchmark = True
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    optimiser = torch.optim.AdamW(net.parameters(), lr=course.rate, weight_decay=2e-2, fused=on_gpu)
    mean = {name: value.clone() for name, value in net.state_dict().items()}
    net.train()
    step, since, total, done = 0, time.time(), torch.zeros((), device=device), 0.0
    while True:
        if not course.seconds:
            done = step / course.steps
        elif step % CLOCK_STEPS == 0:
            done = team.same((time.time() - since) / max(end - since, 1e-3))
        if done >= 1:
            break
        # every run warms up, for its optimiser knows nothing yet
        warm, along = done / 0.04, course.part[0] + (course.part[1] - course.part[0]) * done
        cool = 0.5 * (1 + math.cos(math.pi * max(along - 0.04, 0) / 0.96))
        for group in optimiser.param_groups:
            group["lr"] = course.rate * min(warm, cool) + 1e-6
        look = looks[step % len(looks)]
        pieces = decks[look].deal(course.batch)
        with torch.autocast(torch.device(device).type, torch.bfloat16, enabled=on_gpu):
            out, side = run(pieces.x.contiguous(memory_format=torch.channels_last))
        loss = judge(out.float(), side.float(), aim_of(pieces, look), pieces, look)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        team.average(net)
        torch.nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        optimiser.step()
        step, total = step + 1, total + loss.detach()
        if step == 1:
            since = time.time()  # all is compiled now
        if step % 10 == 0:
            _follow(mean, net, min(0.99, step / (step + 100)))
        if step % KEPT_STEPS == 0:
            log(f"step {step} loss {float(total) / KEPT_STEPS:.3f} {time.time() - since:.0f} s", flush=True)
            total.zero_()
            if kept is not None and team.rank == 0:
                _keep(mean, kept)
    net.load_state_dict(mean)
    return net.eval()


class Team:
    """The processes of one run, one a GPU; a run of one process is a team of one.

    PyTorch's own wrapper sends gradients from within the backward pass, which is replayed whole here.
    """

    def __init__(self) -> None:
        """Join the others, where ``torchrun`` started several."""
        self.rank, self.count = int(os.environ.get("RANK", 0)), int(os.environ.get("WORLD_SIZE", 1))
        self.device = f"cuda:{os.environ.get('LOCAL_RANK', 0)}" if torch.cuda.is_available() else "cpu"
        if self.device != "cpu":
            torch.cuda.set_device(self.device)
        if self.count > 1:
            distributed.init_process_group("nccl" if torch.cuda.is_available() else "gloo")

    def agree(self, net: nn.Module) -> None:
        """Give every process the first one's weights."""
        if self.count > 1:
            for value in net.state_dict().values():
                distributed.broadcast(value, 0)

    def same(self, value: float) -> float:
        """The first process's value, for all."""
        if self.count == 1:
            return value
        told = torch.tensor([value], device=self.device, dtype=torch.float64)
        distributed.broadcast(told, 0)
        return float(told)

    def average(self, net: nn.Module) -> None:
        """Give every process the mean of all gradients, sent as one vector."""
        if self.count > 1:
            given = [p.grad for p in net.parameters() if p.grad is not None]
            flat = torch.cat([g.ravel() for g in given])
            distributed.all_reduce(flat)
            parts = (flat / self.count).split([g.numel() for g in given])
            for gradient, part in zip(given, parts, strict=True):
                gradient.copy_(part.view_as(gradient))


def _beginning(course: Course, start: Path | None, deck: Deck) -> StemNet:
    """A fresh network, or one that was kept, or one that ships, widened if asked for."""
    if start is None:
        return StemNet(Form(deck.look.planes, course.widths, course.depths, course.plain))
    if start.suffix in (".onnx", ".gz"):
        net = from_onnx(start, deck.deal(32).x.cpu(), course.depths, course.plain)
    else:
        net = restored(torch.load(start, map_location="cpu"))
    return widened(net, course.widths)


@torch.no_grad()
def _follow(mean: dict[str, torch.Tensor], net: nn.Module, keep: float) -> None:
    """Running mean of the weights: steadier than the last step's."""
    for name, value in net.state_dict().items():
        if value.dtype.is_floating_point:
            mean[name].lerp_(value, 1 - keep)
        else:
            mean[name].copy_(value)


def _keep(weights: dict[str, torch.Tensor], out: Path) -> None:
    data = io.BytesIO()
    torch.save({name: value.cpu() for name, value in weights.items()}, data)
    write_whole(out, data.getvalue())


def main() -> None:
    """Command line."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("samples", type=Path, nargs="+")
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--look", choices=LOOKS, nargs="+", default=["photo"], help="what the network is for")
    ask.add_argument("--weights", type=Path, help="what to go on from: .pt, or .onnx.gz; it is widened to --widths")
    ask.add_argument("--widths", type=int, nargs="+", default=Course.widths)
    ask.add_argument("--depths", type=int, nargs="+", default=Course.depths)
    ask.add_argument("--leave-out", type=int, default=0, help="leave out every n-th photo not made, for a check")
    for name in ("plain", "steps", "batch", "seed", "workers"):
        ask.add_argument(f"--{name}", type=int, default=getattr(Course, name))
    ask.add_argument("--part", type=float, nargs=2, default=Course.part, help="of the cycle of the rate: begin, end")
    for name in ("seconds", "rate"):
        ask.add_argument(f"--{name}", type=float, default=getattr(Course, name))
    a = ask.parse_args()
    samples = [s for path in a.samples for s in pickle.loads(path.read_bytes())]
    samples = [s for s in samples if (s["stems"][:, 2] == CROP).any()]
    if a.leave_out:
        left = set(sorted({s["photo"] for s in samples if not s["made"]})[:: a.leave_out])
        samples = [s for s in samples if s["photo"] not in left]
    team = Team()
    course = Course(
        a.steps, a.seconds, tuple(a.part), a.batch, a.rate, a.seed, a.workers, tuple(a.widths), tuple(a.depths), a.plain
    )
    net = fit(samples, [LOOKS[look] for look in a.look], course, team, a.weights, a.out)
    if team.rank == 0:
        _keep(net.state_dict(), a.out)


if __name__ == "__main__":
    main()
