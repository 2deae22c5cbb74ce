"""Networks beyond what scikit-learn fits: a perceptron's way down, and filters before its layers.

Weights of filters are shared over places. What they see are bins, and what a filter gives at each
place of them: sums of light behind an optic, never a picture of what is in front of it, which
nothing here computes or aims at. What is fitted by ``descent`` stays scikit-learn's, so that
lowering and the float ONNX know what they meet. Both take their steps by ``adam``.
"""
