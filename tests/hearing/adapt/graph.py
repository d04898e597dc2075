"""Runs the Kokoro graph (ONNX, 8-bit weights taken back to floats) in torch, so that a GPU can speak.

Only the operators that this graph has.
"""

import torch, torch.nn.functional as F, numpy as np, onnx
from onnx import numpy_helper as nh


class Net:
    def __init__(s, path, dev):
        s.dev = dev
        g = onnx.load(path).graph
        s.C = {}
        for i in g.initializer:
            a = nh.to_array(i)
            t = torch.tensor(np.array(a))
            if t.dtype in (torch.float16, torch.float64):
                t = t.float()
            s.C[i.name] = t.to(dev) if t.is_floating_point() and t.numel() > 64 else t
        s.out = [o.name for o in g.output]
        s.nodes = []
        for n in g.node:
            at = {a.name: onnx.helper.get_attribute_value(a) for a in n.attribute}
            s.nodes.append((n.op_type, list(n.input), list(n.output), at))
        # weights of whole-number products become floats once
        for op, i, o, at in s.nodes:
            if op in ("MatMulInteger", "ConvInteger") and i[1] in s.C:
                w = s.C[i[1]]
                z = s.C[i[3]].float() if len(i) > 3 and i[3] in s.C else 0.0
                if w.dtype in (torch.int8, torch.uint8):
                    s.C[i[1]] = (w.float() - z).to(dev)
            if op == "DynamicQuantizeLSTM":
                D = lambda w, sc, zp: (
                    (w.float() - zp.float().view(-1, 1, 1 if zp.ndim < 2 else zp.shape[-1]))
                    * sc.float().view(-1, 1, 1 if sc.ndim < 2 else sc.shape[-1])
                )
                W = D(s.C[i[1]].cpu(), s.C[i[8]].cpu(), s.C[i[9]].cpu())
                R = D(s.C[i[2]].cpu(), s.C[i[10]].cpu(), s.C[i[11]].cpu())
                B = s.C[i[3]].cpu().float()
                H = at["hidden_size"]
                perm = torch.cat(
                    [torch.arange(H), torch.arange(2 * H, 3 * H), torch.arange(3 * H, 4 * H), torch.arange(H, 2 * H)]
                )  # iofc -> ifgo
                L = torch.nn.LSTM(W.shape[1], H, 1, bidirectional=True)
                for d, sf in ((0, ""), (1, "_reverse")):
                    getattr(L, "weight_ih_l0" + sf).data = W[d].t()[perm].contiguous()
                    getattr(L, "weight_hh_l0" + sf).data = R[d].t()[perm].contiguous()
                    getattr(L, "bias_ih_l0" + sf).data = B[d, : 4 * H][perm].contiguous()
                    getattr(L, "bias_hh_l0" + sf).data = B[d, 4 * H :][perm].contiguous()
                s.C["lstm:" + o[0]] = L.to(dev).eval()
        last = {}
        for k, (op, i, o, at) in enumerate(s.nodes):
            for x in i:
                last[x] = k
        s.free = [[] for _ in s.nodes]
        for x, k in last.items():
            if x not in s.C and x not in s.out:
                s.free[k].append(x)

    @torch.no_grad()
    def __call__(s, **feeds):
        V = {k: torch.as_tensor(v) for k, v in feeds.items()}
        V = {k: (v.to(s.dev) if v.is_floating_point() and v.numel() > 64 else v) for k, v in V.items()}
        C = s.C
        dev = s.dev

        def get(x):
            return None if x == "" else (V[x] if x in V else C[x])

        def same(*ts):
            if any(t is not None and t.device.type != "cpu" for t in ts):
                return [t if t is None else t.to(dev) for t in ts]
            return ts

        def L(t):
            return [int(v) for v in t.reshape(-1).tolist()]

        for k, (op, i, o, at) in enumerate(s.nodes):
            a = [get(x) for x in i]
            r = None
            if op in (
                "Mul",
                "Add",
                "Sub",
                "Div",
                "Pow",
                "Equal",
                "Less",
                "Greater",
                "GreaterOrEqual",
                "And",
                "MatMul",
            ):
                x, y = same(a[0], a[1])
                if op == "Mul":
                    r = x * y
                elif op == "Add":
                    r = x + y
                elif op == "Sub":
                    r = x - y
                elif op == "Div":
                    r = (
                        x / y
                        if x.is_floating_point() or y.is_floating_point()
                        else torch.div(x, y, rounding_mode="trunc")
                    )
                elif op == "Pow":
                    r = x**y
                elif op == "Equal":
                    r = x == y
                elif op == "Less":
                    r = x < y
                elif op == "Greater":
                    r = x > y
                elif op == "GreaterOrEqual":
                    r = x >= y
                elif op == "And":
                    r = x & y
                else:
                    r = x @ y
            elif op == "DynamicQuantizeLinear":
                V[o[0]] = a[0].float()
                V[o[1]] = torch.tensor(1.0)
                V[o[2]] = torch.tensor(0.0)
            elif op == "MatMulInteger":
                w = a[1] if a[1].is_floating_point() else a[1].float() - (a[3].float() if len(a) > 3 else 0)
                r = a[0].to(dev) @ w.to(dev)
            elif op in ("ConvInteger", "Conv"):
                p = at.get("pads", [0, 0])
                x = a[0].to(dev)
                w = a[1].to(dev)
                if p[0] != p[1]:
                    x = F.pad(x, (p[0], p[1]))
                    pd = 0
                else:
                    pd = p[0]
                b = a[2].to(dev) if op == "Conv" and len(a) > 2 and a[2] is not None else None
                r = F.conv1d(
                    x,
                    w,
                    b,
                    stride=at.get("strides", [1])[0],
                    padding=pd,
                    dilation=at.get("dilations", [1])[0],
                    groups=at.get("group", 1),
                )
            elif op == "ConvTranspose":
                r = F.conv_transpose1d(
                    a[0].to(dev),
                    a[1].to(dev),
                    a[2].to(dev) if len(a) > 2 and a[2] is not None else None,
                    stride=at["strides"][0],
                    padding=at["pads"][0],
                    output_padding=at.get("output_padding", [0])[0],
                    groups=at.get("group", 1),
                )
            elif op == "Cast":
                r = a[0].to(
                    {
                        1: torch.float32,
                        6: torch.int32,
                        7: torch.int64,
                        9: torch.bool,
                        10: torch.float32,
                        11: torch.float32,
                    }[at["to"]]
                )
            elif op == "DequantizeLinear":
                r = (a[0].float() - (a[2].float() if len(a) > 2 else 0)) * a[1]
                r = r.to(dev) if r.numel() > 64 else r
            elif op == "Shape":
                r = torch.tensor(list(a[0].shape), dtype=torch.int64)[at.get("start", 0) : at.get("end", None)]
            elif op == "Gather":
                ax = at.get("axis", 0)
                x = a[0]
                ix = a[1].to(x.device).long()
                ix = torch.where(ix < 0, ix + x.shape[ax], ix)
                r = x.index_select(ax, ix.reshape(-1)).reshape(
                    list(x.shape[:ax]) + list(ix.shape) + list(x.shape[ax + 1 :])
                )
            elif op == "Split":
                ax = at.get("axis", 0)
                sz = L(a[1]) if len(a) > 1 and a[1] is not None else None
                ps = torch.split(a[0], sz, ax) if sz else torch.chunk(a[0], len(o), ax)
                for n_, p_ in zip(o, ps):
                    V[n_] = p_
            elif op == "Unsqueeze":
                r = a[0]
                for d in sorted(v if v >= 0 else v + a[0].ndim + len(L(a[1])) for v in L(a[1])):
                    r = r.unsqueeze(d)
            elif op == "Squeeze":
                r = a[0]
                if len(a) > 1 and a[1] is not None:
                    for d in sorted((v % r.ndim for v in L(a[1])), reverse=True):
                        r = r.squeeze(d)
                else:
                    r = r.squeeze()
            elif op == "Transpose":
                r = a[0].permute(at["perm"])
            elif op == "Concat":
                r = torch.cat(list(same(*a)), at["axis"])
            elif op == "Slice":
                r = a[0]
                st, en = L(a[1]), L(a[2])
                ax = L(a[3]) if len(a) > 3 and a[3] is not None else range(len(st))
                sp = L(a[4]) if len(a) > 4 and a[4] is not None else [1] * len(st)
                for b, e, d, q in zip(st, en, ax, sp):
                    n = r.shape[d]
                    d %= r.ndim
                    if q < 0:
                        idx = torch.arange(
                            min(b if b >= 0 else b + n, n - 1),
                            max(e if e >= 0 else e + n, -1) if e > -n - 1 else -1,
                            q,
                            device=r.device,
                        )
                        r = r.index_select(d, idx)
                    else:
                        sl = [slice(None)] * r.ndim
                        sl[d] = slice(b, min(e, n) if e >= 0 else e, q)
                        r = r[tuple(sl)]
            elif op == "ConstantOfShape":
                v = at.get("value")
                v = nh.to_array(v) if v is not None else np.zeros(1, np.float32)
                r = torch.full(L(a[0]), v.reshape(-1)[0].item(), dtype=torch.tensor(v).dtype)
            elif op == "Where":
                x, y, z = same(*a)
                r = torch.where(x, y, z)
            elif op == "Expand":
                sh = L(a[1])
                r = a[0]
                nd = max(len(sh), r.ndim)
                s1 = [1] * (nd - r.ndim) + list(r.shape)
                s2 = [1] * (nd - len(sh)) + sh
                r = r.reshape(s1).expand([max(p, q) for p, q in zip(s1, s2)])
            elif op == "Floor":
                r = torch.floor(a[0])
            elif op == "Reshape":
                sh = L(a[1])
                sh = [a[0].shape[j] if v == 0 and not at.get("allowzero", 0) else v for j, v in enumerate(sh)]
                r = a[0].reshape(sh)
            elif op == "LayerNormalization":
                x, w, b = same(a[0], a[1], a[2] if len(a) > 2 else None)
                r = F.layer_norm(x, w.shape, w, b, at["epsilon"])
            elif op == "SkipLayerNormalization":
                x, y, w, b = same(*a[:4])
                x = x + y
                if len(a) > 4 and a[4] is not None:
                    x = x + a[4].to(x.device)
                r = F.layer_norm(x, w.shape, w, b, at["epsilon"])
            elif op == "LeakyRelu":
                r = F.leaky_relu(a[0], at["alpha"])
            elif op == "Sqrt":
                r = torch.sqrt(a[0])
            elif op == "Softmax":
                r = torch.softmax(a[0], at["axis"])
            elif op == "FastGelu":
                x = a[0] if len(a) < 2 or a[1] is None else a[0] + a[1].to(a[0].device)
                r = 0.5 * x * (1 + torch.tanh(0.7978845608 * (x + 0.044715 * x**3)))
            elif op == "DynamicQuantizeLSTM":
                y, (h, c) = C["lstm:" + o[0]](a[0].to(dev))
                T_, B_, _ = y.shape
                V[o[0]] = y.view(T_, B_, 2, -1).permute(0, 2, 1, 3)
                if len(o) > 1 and o[1]:
                    V[o[1]] = h
                if len(o) > 2 and o[2]:
                    V[o[2]] = c
            elif op == "Sigmoid":
                r = torch.sigmoid(a[0])
            elif op in ("ReduceSum", "ReduceMean"):
                ax = L(a[1]) if len(a) > 1 and a[1] is not None else list(range(a[0].ndim))
                f = torch.sum if op == "ReduceSum" else torch.mean
                r = f(a[0], ax, keepdim=bool(at.get("keepdims", 1)))
            elif op == "Round":
                r = torch.round(a[0])
            elif op == "Clip":
                r = a[0]
                if len(a) > 1 and a[1] is not None:
                    r = torch.clamp(r, min=a[1].item())
                if len(a) > 2 and a[2] is not None:
                    r = torch.clamp(r, max=a[2].item())
            elif op == "CumSum":
                r = torch.cumsum(a[0], int(a[1].item()))
            elif op == "Range":
                r = torch.arange(a[0].item(), a[1].item(), a[2].item(), dtype=a[0].dtype)
            elif op == "FusedMatMul":
                x, y = same(a[0], a[1])
                x = x.transpose(-1, -2) if at.get("transA") else x
                y = y.transpose(-1, -2) if at.get("transB") else y
                r = (x @ y) * at.get("alpha", 1.0)
            elif op == "Resize":
                x = a[0].to(dev)
                m = at["mode"].decode()
                if len(a) > 3 and a[3] is not None:
                    n = L(a[3])[-1]
                else:
                    n = int(np.floor(x.shape[-1] * float(a[2].reshape(-1)[-1]) + 1e-6))
                r = (
                    F.interpolate(x, size=n, mode="linear", align_corners=False)
                    if m == "linear"
                    else F.interpolate(x, size=n, mode="nearest")
                )
            elif op == "Sin":
                r = torch.sin(a[0])
            elif op == "Cos":
                r = torch.cos(a[0])
            elif op == "Tanh":
                r = torch.tanh(a[0])
            elif op == "Atan":
                r = torch.atan(torch.nan_to_num(a[0], nan=0.0, posinf=1e9, neginf=-1e9))
            elif op == "Exp":
                r = torch.exp(a[0])
            elif op == "Pad":
                p = L(a[1])
                h = len(p) // 2
                x = a[0].to(dev)
                y = x if x.ndim > 2 else x.reshape([1] * (3 - x.ndim) + list(x.shape))
                r = F.pad(y, (p[h - 1], p[-1]), mode="reflect").reshape(list(x.shape[:-1]) + [-1])
            elif op == "STFT":
                x = a[0].to(dev)
                x = x[..., 0] if x.ndim == 3 else x
                hop = int(a[1].item())
                w = a[2].to(dev)
                n = w.shape[0]
                fr = x.unfold(1, n, hop) * w
                z = torch.fft.rfft(fr)
                r = torch.stack([z.real, z.imag], -1)
            elif op == "NonZero":
                r = torch.nonzero(a[0]).t().contiguous()
            elif op == "ScatterND":
                x, ix, u = same(*a)
                r = x.clone()
                r[tuple(ix[..., j] for j in range(ix.shape[-1]))] = u
            else:
                raise Exception(op)
            if r is not None:
                V[o[0]] = r
            for x in s.free[k]:
                V.pop(x, None)
        return [V[x] for x in s.out]
