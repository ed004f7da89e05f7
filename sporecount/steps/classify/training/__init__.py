"""How the model beside this folder is made: harvest labelled crops, train, calibrate, export.

An edge script of its own (`python -m sporecount.steps.classify.training`): it draws simulated photos,
and nothing in the package imports it.
"""
