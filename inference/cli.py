"""The command line: the only place where commands, options and exit codes are known.

Each command is a few lines over the library. Heavy imports stand inside the commands, so that `--help` answers at once.
Exit 0: done. 1: the input is at fault, told in one line on standard error. 2: wrong usage.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from phrasewright.data.errors import PhrasewrightError, UsageError
from phrasewright.data.printing import one_line, several_lines
from phrasewright.inference.arguments import chosen_kinds, chosen_lanes, review_help, selected_parts, span_of_bars
from phrasewright.inference.terminal import (
    complain,
    ended_tidily,
    open_standard_files,
    printed,
    progress,
    say,
    tell,
)

if TYPE_CHECKING:
    from phrasewright.data.store import Store
    from phrasewright.inference.shaping import Shaped

EXISTING = ("keep", "replace", "blend")
_NO_WORDS: Any = getattr(click.exceptions, "NoArgsIsHelpError", ())  # since click 8.2: its message is the help


class _Command(click.Command):
    """A command whose help may find no room."""

    def make_context(self, *names: Any, **more: Any) -> click.Context:
        with printed():  # help is printed while words are read
            return super().make_context(*names, **more)


class _Commands(_Command, click.Group):
    """A group with one handler for everything a user can cause."""

    command_class, group_class = _Command, type

    def main(self, *words: Any, **more: Any) -> Any:
        open_standard_files()
        try:
            return super().main(*words, **more)
        except PhrasewrightError as fault:  # before any command was called
            complain(fault)
            sys.exit(1)

    def invoke(self, ctx: click.Context) -> Any:
        try:
            with ended_tidily():
                return super().invoke(ctx)
        except UsageError as fault:
            raise click.UsageError(one_line(str(fault))) from fault
        except _NO_WORDS:
            raise
        except click.UsageError as fault:
            raise click.UsageError(several_lines(fault.format_message()), fault.ctx) from fault
        except PhrasewrightError as fault:
            complain(fault)
            ctx.exit(1)


class _File(click.Path):
    """The name of a file or folder; an empty one, as an unset variable leaves it, is not the folder one stands in."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if value == "":
            self.fail("it is empty; name a file or a folder", param, ctx)
        return super().convert(value, param, ctx)


class _Read(click.ParamType):
    """An argument read by a function of inference/arguments.py, whose ValueError becomes wrong usage."""

    def __init__(self, name: str, read: Callable[[str], tuple[Any, ...]]) -> None:
        self.name, self.read = name, read

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[Any, ...]:
        if isinstance(value, tuple):
            return value
        try:
            return self.read(value)
        except ValueError as fault:
            self.fail(str(fault), param, ctx)


_PARTS, _BARS = _Read("numbers or names", selected_parts), _Read("first-last", span_of_bars)
_LANES, _KINDS = _Read("lanes", chosen_lanes), _Read("kinds", chosen_kinds)
_CUE = _File(path_type=Path)
_json = click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else. Example: --json")
_force = click.option("--force", is_flag=True, help="Replace an output that is already there. Example: --force")
_profile = click.option(
    "--profile", type=_CUE, help="What your instruments answer to, as TOML. Example: --profile mine.toml"
)
_report = click.option("--report", type=_CUE, help="Write a page to look at, offline. Example: --report page.html")


def _example(text: str) -> str:
    return f"Example: phrasewright {text}"


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="phrasewright", prog_name="phrasewright")
def main() -> None:
    """Write a first pass of dynamics, expression and vibrato for every sustained line of a MIDI cue.

    The cue comes back as it was, with controller lanes added: nothing drawn is overwritten unless you ask. Start
    playback at a low monitoring level: lanes raise and lower loudness.
    """


@main.command(epilog=_example("shape cue.mid -o shaped.mid"))
@click.argument("cues", nargs=-1, required=True, type=_CUE, metavar="CUE.mid [CUE2.mid ...]")
@click.option("-o", "--out", required=True, help="File (.mid, .midi) or folder to write to. Example: -o shaped.mid")
@click.option(
    "--baseline",
    is_flag=True,
    help="Shape by the rules alone, with --style as they were fitted to it; no network is loaded. Example: --baseline",
)
@click.option("--lanes", type=_LANES, help="Write only these lanes. Example: --lanes dynamics,expression")
@click.option("--parts", type=_PARTS, help='Shape only these parts. Example: --parts 1,3,"Violins I"')
@click.option("--bars", type=_BARS, help="Shape only these bars, counted from 1. Example: --bars 17-32")
@click.option(
    "--existing",
    type=click.Choice(EXISTING),
    default="keep",
    show_default=True,
    help="What becomes of lanes already drawn: kept, replaced, or blended (their level and arc stay, faster movement is"
    " added). Example: --existing blend",
)
@click.option(
    "--plan",
    type=_CUE,
    help="Loudness across the cue, as CSV with the header bar,level,parts,ramp: a mark (pp to ff) or 0 to 127, for all"
    " parts or some, at once or over so many bars. Without it the dynamic marks in the file are the plan."
    " Example: --plan loudness.csv",
)
@click.option(
    "--style", help="Shape in a learned style: its name, or a file it was exported to. Example: --style string-hand"
)
@click.option(
    "--join-repeats",
    is_flag=True,
    help="Make one note of connected repeats of one pitch slower than five a second: the one option that changes notes."
    " Each is listed; lanes articulate it; shaping again without it brings them back. Example: --join-repeats",
)
@click.option(
    "--lanes-only",
    is_flag=True,
    help="Write only tempo map, track names and lanes, for import beside the notes your sequencer holds."
    " Example: --lanes-only",
)
@click.option(
    "--jobs", type=click.IntRange(min=1), show_default="cue after cue, each in as many as pay, 4 at most",
    help="Processes to work in: several cues at once, or the parts of one long cue; 1 keeps to one. What is written is"
    " the same. Example: --jobs 4",
)
@click.option(
    "--cluster", metavar="ADDRESS",
    help="Work on the machines of a Dask scheduler, which see your cues under the same names; needs"
    " phrasewright[cluster]. Example: --cluster tcp://studio:8786",
)
@click.option(
    "--no-record",
    is_flag=True,
    help="Do not keep what is written in the store; corrections of it are then learned with --shaped only."
    " Example: --no-record",
)
@_report
@_profile
@_force
@_json
def shape(
    cues: tuple[Path, ...], out: str, force: bool, as_json: bool, no_record: bool, jobs: int | None,
    cluster: str | None, report: Path | None, **choices: Any,
) -> None:
    """Write dynamics, expression and vibrato lanes into a copy of each cue; a folder stands for the cues in it.

    What is written is kept in your store, so that `learn` can tell what you changed. Start playback at a low
    monitoring level.
    """
    from phrasewright.inference.batch import cue_paths, failure_lines, shape_files, summary_text
    from phrasewright.inference.shaping import ShapeOptions

    options = ShapeOptions(**choices)
    if options.style is not None:
        _renew(options.style)
    paths = cue_paths(cues)
    with progress("Shaping", len(paths)) as step:
        result = shape_files(
            paths, out, options=options, force=force, jobs=jobs, cluster=cluster, done=step,
            record=None if no_record else _record, report=report,
        )  # fmt: skip
    tell(result, summary_text, as_json=as_json)
    failures = failure_lines(result)
    for failure in failures:
        complain(failure)
    if failures:
        click.get_current_context().exit(1)


def _renew(style: str) -> None:
    """A style learned with another version is fitted anew from its corrections before it is used."""
    from phrasewright.inference.styles import is_outdated

    if is_outdated(style):
        from phrasewright.data.store import Store
        from phrasewright.training.learning import load_style

        with Store() as store:
            load_style(store, style)


def _record(shaped: Shaped) -> str:
    """Keep a first pass; where the store cannot be used the file is written all the same."""
    from phrasewright.data.store import Store
    from phrasewright.training.first_passes import record_of

    kept = {
        part["index"]: {lane: told["kept"] for lane, told in part["lanes"].items()} for part in shaped.summary["parts"]
    }
    try:
        with Store() as store:
            store.record_shaped(
                record_of(
                    shaped.cue, shaped.whole, style=shaped.summary["style"], version=shaped.version, kept=kept,
                    plan=shaped.plan, lanes=shaped.lanes,
                )
            )
    except PhrasewrightError as fault:
        return f"not recorded: {fault}"
    return ""


@main.command(epilog=_example("learn string-hand corrected.mid"))
@click.argument("style")
@click.argument("corrected", nargs=-1, required=True, type=_CUE, metavar="CORRECTED.mid [MORE.mid ...]")
@click.option(
    "--shaped", type=_CUE, help="The first pass that was corrected, instead of the store's. Example: --shaped first.mid"
)
@click.option(
    "--approved", is_flag=True, help="What you left as it was is as you want it, everywhere. Example: --approved"
)
@_report
@_profile
@_force
@_json
def learn(
    style: str, corrected: tuple[Path, ...], report: Path | None, force: bool, as_json: bool, **choices: Any
) -> None:
    """Learn STYLE from cues whose lanes you corrected, or drew yourself.

    What you changed in a first pass is learned; what you left beside it counts a little. A version that would do worse
    than the one before on phrases held back is recorded and not used.
    """
    from phrasewright.data.files import check_output
    from phrasewright.training.learning import learn as learn_style
    from phrasewright.training.learning import learn_text

    held_back: list[Any] = []
    read = [*corrected, *(choices[name] for name in ("shaped", "profile") if choices[name] is not None)]
    if report is not None:
        check_output(report, inputs=read, force=force)
    with progress("Learning", len(corrected)) as step:
        result = learn_style(style, corrected, **choices, done=step, show=held_back.extend)
    if report is not None:
        from phrasewright.inference.reporting import learn_report, write_report

        write_report(report, learn_report(result, held_back), inputs=read, force=force)
    tell(result, learn_text, as_json=as_json)


@main.group(epilog=_example("style list"))
def style() -> None:
    """List, show, take back, carry and delete learned styles."""


def _opened() -> Store:
    from phrasewright.data.store import Store

    return Store()


@style.command("list", epilog=_example("style list"))
@_json
def style_list(as_json: bool) -> None:
    """List all styles."""
    from phrasewright.inference.styles import list_styles, list_text

    with _opened() as store:
        styles = list_styles(store)
    tell({"styles": styles}, lambda told: list_text(told["styles"]), as_json=as_json)


@style.command("show", epilog=_example("style show string-hand"))
@click.argument("name")
@click.option(
    "--picture", type=_CUE, help="Draw what was learned, with intervals, as .svg or .png. Example: --picture hand.svg"
)
@_force
@_json
def style_show(name: str, picture: Path | None, force: bool, as_json: bool) -> None:
    """Show what a style was learned from, how much music stands behind it, and its versions."""
    from phrasewright.inference.styles import show_style, show_text

    with _opened() as store:
        told = show_style(store, name)
    if picture is not None:
        from phrasewright.inference.picture import draw_style

        draw_style(told, picture, force=force)
    tell(told, show_text, as_json=as_json)


@style.command("undo", epilog=_example("style undo string-hand"))
@click.argument("name")
def style_undo(name: str) -> None:
    """Put the version before back in use, exactly."""
    with _opened() as store:
        version = store.undo(name)
    say(f"{name}: version {version.version} is in use" if version else f"{name}: predicts as shipped")


@style.command("forget", epilog=_example("style forget string-hand cue.mid"))
@click.argument("name")
@click.argument("cue")
def style_forget(name: str, cue: str) -> None:
    """Make a version without what one cue taught.

    CUE is the name of the corrected file. The log keeps its corrections, so that undo brings them back, until the style
    is deleted.
    """
    from phrasewright.training.learning import forget

    with _opened() as store:
        version = forget(name, cue, store=store)
    left = "" if version.has_payload else "; nothing else was learned: predicts as shipped"
    say(f"{name}: version {version.version}, {version.why}{left}")


@style.command("export", epilog=_example("style export string-hand string-hand.safetensors"))
@click.argument("name")
@click.argument("file", type=_CUE)
@_force
def style_export(name: str, file: Path, force: bool) -> None:
    """Write the version in use to one file, for another machine. It holds no notes and no lanes."""
    from phrasewright.inference.styles import export_style

    with _opened() as store:
        export_style(store, name, file, force=force)
    say(str(file))


@style.command("import", epilog=_example("style import string-hand.safetensors"))
@click.argument("file", type=_CUE)
@click.option("--name", help="Call it otherwise than it was. Example: --name borrowed-hand")
def style_import(file: Path, name: str | None) -> None:
    """Take a style from a file. The file is checked before anything is stored; it can hold no code."""
    from phrasewright.inference.styles import import_style

    with _opened() as store:
        version = import_style(store, file, name=name)
    say(f"{version.style}: {version.why}")


@style.command("delete", epilog=_example("style delete string-hand"))
@click.argument("name")
def style_delete(name: str) -> None:
    """Delete a style with all its versions and corrections, for good."""
    with _opened() as store:
        store.delete(name)
    say(f"{name}: deleted")


@style.command("check", epilog=_example("style check"))
@click.option(
    "--restore",
    is_flag=True,
    help="Where the store is damaged, put back its copy, kept after each learning; the damaged file is kept as well."
    " Example: --restore",
)
def style_check(restore: bool) -> None:
    """Check the store: the file, its references and everything in it."""
    from phrasewright.inference.styles import check_store, restore_store

    if restore:
        say(restore_store())
        return
    faults = check_store()
    for fault in faults:
        complain(fault)
    if faults:
        click.get_current_context().exit(1)
    say("the store is sound")


@main.group(epilog=_example("profile check mine.toml"))
def profile() -> None:
    """Look over a profile of your instruments."""


@profile.command("check", epilog=_example("profile check mine.toml --cue cue.mid"))
@click.argument("file", type=_CUE)
@click.option("--cue", type=_CUE, help="Say also for which parts of a cue each table holds. Example: --cue cue.mid")
@_json
def profile_check(file: Path, cue: Path | None, as_json: bool) -> None:
    """Say what each table of FILE would do: lanes, ranges, responses, delays; all its faults at once."""
    from phrasewright.inference.profile_check import check_profile, profile_text

    tell(check_profile(file, cue=cue), profile_text, as_json=as_json)


@main.command(epilog=_example("explain cue.mid"))
@click.argument("cue", type=_CUE, metavar="CUE.mid")
@_profile
@_json
def explain(cue: Path, profile: Path | None, as_json: bool) -> None:
    """Tell what is heard in a cue: parts, passages, phrases and situations, with the reason for each."""
    from phrasewright.data.profiles import read_profile
    from phrasewright.data.reading import read_cue
    from phrasewright.inference.explaining import explain_dict, explain_text
    from phrasewright.model.listening import hear

    hearing = hear(read_cue(cue, profile=read_profile(profile) if profile else None))
    tell(explain_dict(hearing), lambda _: explain_text(hearing), as_json=as_json)


@main.command(epilog=_example("compare drawn.mid shaped.mid"))
@click.argument("left", type=_CUE, metavar="LEFT.mid")
@click.argument("rights", nargs=-1, required=True, type=_CUE, metavar="RIGHT.mid [MORE.mid ...]")
@click.option(
    "--csv", "table", type=_CUE, help="Write the figures of every phrase and situation as a table. Example: --csv f.csv"
)
@_report
@_profile
@_force
@_json
def compare(left: Path, rights: tuple[Path, ...], as_json: bool, **choices: Any) -> None:
    """Compare the lanes of one or more files with those of the first, such as predicted with hand-drawn ones.

    Where notes stand at other times, in another tempo or after cuts, lanes are compared note by note.
    """
    from phrasewright.inference.comparing import compare_into
    from phrasewright.inference.comparison_text import compare_text

    tell(compare_into(left, rights, **choices), compare_text, as_json=as_json)


@main.command(help=review_help(), epilog=_example("review shaped.mid --ignore retrigger --fail-on jump"))
@click.argument("cue", type=_CUE, metavar="CUE.mid")
@click.option("--kinds", type=_KINDS, help="Look only for these. Example: --kinds jump,entry,stuck")
@click.option("--ignore", type=_KINDS, help="Leave these out. Example: --ignore retrigger")
@click.option(
    "--fail-on", type=_KINDS, multiple=True, help="Exit with 3 if one of this kind is found. Example: --fail-on jump"
)
@_profile
@_json
def review(
    cue: Path, kinds: tuple[str, ...] | None, ignore: tuple[str, ...] | None, fail_on: tuple[tuple[str, ...], ...],
    profile: Path | None, as_json: bool,
) -> None:
    """Look over the lanes of a file: what stands still, jumps, joins badly or is left behind, with where and why."""
    from phrasewright.inference.reviewing import fails, review_file, review_text

    result = review_file(cue, profile=profile, kinds=kinds, ignore=ignore)
    failed = fails(result, [kind for chosen in fail_on for kind in chosen])
    tell(result, review_text, as_json=as_json)
    if failed:
        click.get_current_context().exit(3)


@main.command(epilog=_example("picture shaped.mid --bars 9-16 --parts 1 -o line.svg"))
@click.argument("cue", type=_CUE, metavar="CUE.mid")
@click.option("--bars", type=_BARS, help="Draw only these bars, counted from 1. Example: --bars 9-16")
@click.option("--parts", type=_PARTS, help='Draw only these parts. Example: --parts 1,"Violins I"')
@click.option("--beside", "other", type=_CUE, help="Lay this file's lanes over, dashed. Example: --beside hand.mid")
@click.option("-o", "--out", required=True, type=_CUE, help="Picture to write, .svg or .png. Example: -o line.svg")
@_profile
@_force
def picture(cue: Path, out: Path, profile: Path | None, **choices: Any) -> None:
    """Draw notes, phrases and lanes of a passage, for lessons and notes."""
    from phrasewright.data.profiles import read_profile
    from phrasewright.inference.picture import draw_picture

    draw_picture(cue, out, profile=read_profile(profile) if profile else None, **choices)
    say(str(out))


@main.command(epilog=_example("train --out weights --preset small"))
@click.option("--out", required=True, type=_CUE, help="Folder for weights, card and log. Example: --out weights")
@click.option(
    "--preset", type=click.Choice(["small", "full"]), default="full",
    help="small: under half an hour on two cores; full: under a quarter on a GPU. Example: --preset small",
)
@click.option("--steps", type=click.IntRange(1), help="Steps of each network, instead. Example: --steps 500")
@click.option("--seed", type=click.IntRange(0, 1000), default=0, help="Other examples, 0 to 1000. Example: --seed 1")
@click.option(
    "--device", type=click.Choice(["auto", "cpu", "cuda"]), default="auto",
    help="auto takes a GPU where there is one. Example: --device cpu",
)
@click.option("--corrections", is_flag=True, help="Learn from what your store holds, too. Example: --corrections")
@_force
def train(
    out: Path, preset: str, steps: int | None, seed: int, device: str, corrections: bool, force: bool
) -> None:
    """Train the base model: the default, and what learning a hand stands on. Broken off, the same call goes on.

    Needs what the tests need: pip install 'phrasewright[test]'. Several devices: torchrun --nproc_per_node=2 -m
    phrasewright.inference.cli train ...
    """
    from contextlib import ExitStack

    from phrasewright.data.store import Store
    from phrasewright.inference.terminal import training_progress
    from phrasewright.training.fitting import train as fit

    told = f"phrasewright train --out FOLDER --preset {preset} --seed {seed}" + (f" --steps {steps}" if steps else "")
    with ExitStack() as stack:
        weights = fit(
            out, preset=preset, steps=steps, seed=seed, device=device, force=force, command=told,
            tell=stack.enter_context(training_progress()), store=stack.enter_context(Store()) if corrections else None,
        )
    if weights is not None:
        say(f"{weights}\nTo use them: put the folder's files into model/weights and run the property tests.")


@main.command(epilog=_example("evaluate --pieces 6 --hands 2"))
@click.option("--weights", type=_CUE, help="Judge these instead of those shipped. Example: --weights new.safetensors")
@click.option("--pieces", type=click.IntRange(1, 60), default=12, help="Held-out pieces, 12. Example: --pieces 6")
@click.option("--hands", type=click.IntRange(0, 200), default=3, help="Fresh invented hands, 3. Example: --hands 20")
@click.option("--apart", type=_PARTS, default=(), help="Hands kept for choices (checkout). Example: --apart breather")
@click.option("--ablation", is_flag=True, help="What each group of features is worth, too. Example: --ablation")
@_json
def evaluate(
    weights: Path | None, pieces: int, hands: int, apart: tuple[str, ...], ablation: bool, as_json: bool
) -> None:
    """Judge the model, before any correction, on music it never saw: error, and how alive it is, beside simpler models.

    Needs what the tests need: pip install 'phrasewright[test]'.
    """
    from phrasewright.training.evaluation import evaluate as judge
    from phrasewright.training.evaluation import evaluation_text

    with progress("Judging", pieces + 2 + 6 * ablation) as step:
        result = judge(weights, n_pieces=pieces, n_hands=hands, apart=apart, ablation=ablation, done=lambda _: step())
    tell(result, evaluation_text, as_json=as_json)


@main.command(epilog=_example("demo lighthouse"))
@click.argument("folder", type=_CUE)
@_force
def demo(folder: Path, force: bool) -> None:
    """Write the demo cues into FOLDER, shape them, learn from a bundled correction, and say what to open.

    The style that is learned goes into FOLDER, not into your store. Start playback at a low monitoring level.
    """
    from phrasewright.inference.demo import make_demo

    say(make_demo(folder, force=force, learn=_learned_apart))


def _learned_apart(style: str, corrected: Path, shaped: Path, out: Path) -> None:
    """Learn a style in a store of its own and write it to a file."""
    from tempfile import TemporaryDirectory

    from phrasewright.data.store import Store
    from phrasewright.inference.styles import export_style
    from phrasewright.training.learning import learn as learn_style

    with TemporaryDirectory() as home, Store(Path(home)) as store:
        learn_style(style, [corrected], shaped=shaped, store=store)
        export_style(store, style, out, force=True)


if __name__ == "__main__":
    main()
