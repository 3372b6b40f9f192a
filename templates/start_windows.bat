@echo off
rem Double-click. Sets trialkit up once, then opens the start page in the browser.
setlocal
cd /d "%~dp0.." || goto stopped
if not exist requirements.lock (
    echo This file belongs into the folder templates of trialkit. Put it back there.
    goto stopped
)
set "python="
for %%p in ("py -3" "python") do (
    if not defined python (
        %%~p -c "import sys; sys.exit(sys.version_info < (3, 11))" >nul 2>nul && set "python=%%~p"
    )
)
if not defined python (
    echo Python 3.11 or newer is needed. Install it from https://www.python.org/downloads/, then try again.
    goto stopped
)
rem the list of what was installed tells whether anything is new; where the folder was moved, trialkit is not found
fc /b requirements.lock .venv\installed.lock >nul 2>nul && .venv\Scripts\python.exe -I -c "import trialkit" >nul 2>nul && goto ready
echo Setting up. This takes a few minutes, the first time only ...
%python% -m venv .venv || goto failed
.venv\Scripts\python.exe -m pip install -q -c requirements.lock -e . || goto failed
copy /y requirements.lock .venv\installed.lock >nul
:ready
if not defined TRIALKIT_TRIALS set "TRIALKIT_TRIALS=%USERPROFILE%\compost-trials"
.venv\Scripts\trialkit.exe start "%TRIALKIT_TRIALS%" && exit /b 0
echo The page could not be opened; the lines above say why.
goto stopped
:failed
echo The set-up failed. Is there a connection to the network?
:stopped
pause
exit /b 1
