@echo off
rem Start toneapp from its folder, set up on the first start.
py -3 "%~dp0..\start.py" run %*
