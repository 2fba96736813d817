"""Development only: packing the photos, rendering limbs, training and exporting the net.

Needs the ``train`` extra (PyTorch, onnx). Nothing here is imported at run time.
"""
