"""How a perceptron's weights are found: passes over windows in single precision.

What is fitted stays scikit-learn's, so that lowering and the float ONNX know what they meet.
"""
