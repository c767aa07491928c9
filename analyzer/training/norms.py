"""Batch norms put back into folded networks, and folded again, so that training goes on from weights without them."""

import torch
from torch import nn


def with_norms(net, batches, run):
    """Each 3 x 3 convolution of ``net`` becomes convolution, batch norm that changes nothing on ``batches``; run(net, batch)."""
    seen, hooks = {}, []
    convs = [m for m in net.modules() if isinstance(m, nn.Conv2d) and m.kernel_size == (3, 3)]
    for conv in convs:

        def hook(module, _, out):
            out = out.float() - module.bias[None, :, None, None]
            a = seen.setdefault(module, [0.0, 0.0, 0])
            a[0], a[1], a[2] = (
                a[0] + out.sum((0, 2, 3)),
                a[1] + (out**2).sum((0, 2, 3)),
                a[2] + out.numel() / out.shape[1],
            )

        hooks.append(conv.register_forward_hook(hook))
    with torch.no_grad():
        for batch in batches:
            run(net, batch)
    for h in hooks:
        h.remove()

    def change(module):
        for name, child in module.named_children():
            if child in seen:
                total, square, n = seen[child]
                mean = total / n
                var = (square / n - mean**2).clamp(min=0)
                norm = nn.BatchNorm2d(child.out_channels).to(child.weight.device)
                plain = nn.Conv2d(child.in_channels, child.out_channels, 3, padding=1, bias=False).to(
                    child.weight.device
                )
                with torch.no_grad():
                    norm.running_mean.copy_(mean)
                    norm.running_var.copy_(var)
                    norm.weight.copy_((var + norm.eps).sqrt())
                    norm.bias.copy_(child.bias + mean)
                    plain.weight.copy_(child.weight)
                setattr(module, name, nn.Sequential(plain, norm))
            else:
                change(child)

    change(net)
    return net


def folded(net):
    """A copy of ``net`` without its batch norms, ready to write."""
    import copy

    net = copy.deepcopy(net).cpu().float().eval()

    def change(module):
        for name, child in module.named_children():
            if isinstance(child, nn.Sequential) and len(child) == 2 and isinstance(child[1], nn.BatchNorm2d):
                conv, norm = child
                g = norm.weight / torch.sqrt(norm.running_var + norm.eps)
                whole = nn.Conv2d(conv.in_channels, conv.out_channels, 3, padding=1)
                with torch.no_grad():
                    whole.weight.copy_(conv.weight * g[:, None, None, None])
                    whole.bias.copy_(norm.bias - norm.running_mean * g)
                setattr(module, name, whole)
            else:
                change(child)

    change(net)
    return net


class Mean:
    """The running mean of weights; whole-number buffers are taken as they are."""

    def __init__(self, net, most=0.9975):
        self.most, self.n, self.state = most, 0, {k: v.detach().clone() for k, v in net.state_dict().items()}

    @torch.no_grad()
    def step(self, net):
        self.n += 1
        keep = min(self.most, (1 + self.n) / (10 + self.n))
        now = net.state_dict()
        names = [k for k, v in now.items() if v.dtype.is_floating_point]
        torch._foreach_lerp_([self.state[k] for k in names], [now[k] for k in names], 1 - keep)
