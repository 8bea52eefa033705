@echo off
rem A double click opens the start page.
cd /d "%~dp0..\.."
for %%v in (3.11 3.12 3.13) do (
  py -%%v -c "" >nul 2>&1 && (
    py -%%v scripts\launch.py start
    goto end
  )
)
echo Python 3.11, 3.12 or 3.13 is needed, see README.md.
pause
:end
