// The kinds of error the project raises on purpose, with their stable codes (explained in DEVELOPERS.md).
// Damage in a recording is never one of these: damage is counted, not thrown.

/** Why a recording could not be read on. */
export type RecordingCode =
  | 'not-found'
  | 'unreadable'
  | 'empty'
  | 'no-frames'
  | 'archive-damaged'
  | 'archive-cut'
  | 'archive-entry-unsafe'
  | 'archive-entry-unsupported'
  | 'archive-too-large'
  | 'gzip-damaged';

/** One recording ends here; what came before it is kept and the other recordings go on. */
export class RecordingError extends Error {
  override readonly name = 'RecordingError';
  readonly code: RecordingCode;
  /** The file as the user named it. */
  readonly file: string;
  /** Absolute byte offset in that file, or `undefined` where the whole file is meant. */
  readonly offset: number | undefined;
  /** The message without the place. */
  readonly reason: string;

  constructor(code: RecordingCode, file: string, offset: number | undefined, reason: string) {
    super(offset === undefined ? `${file}: ${reason}` : `${file}, byte ${offset}: ${reason}`);
    this.code = code;
    this.reason = reason;
    this.file = file;
    this.offset = offset;
  }
}

/** A mistake in the mission file; nothing starts. `line` and `column` count from 1. */
export class MissionFileError extends Error {
  override readonly name = 'MissionFileError';
  readonly file: string;
  readonly problems: readonly { readonly line: number; readonly column: number; readonly message: string }[];

  constructor(file: string, problems: readonly { line: number; column: number; message: string }[]) {
    super(problems.map((p) => `${file}:${p.line}:${p.column}: ${p.message}`).join('\n'));
    this.file = file;
    this.problems = problems;
  }
}

/** A mistake in how the tool was called; nothing starts. */
export class UsageError extends Error {
  override readonly name = 'UsageError';
}

/** Why a ledger cannot be used. */
export type LedgerCode =
  | 'ledger-missing'
  | 'ledger-foreign'
  | 'ledger-newer'
  | 'ledger-older'
  | 'ledger-damaged'
  | 'ledger-other-mission'
  | 'ledger-busy';

/** The ledger on disk cannot be used as it is; nothing in it was changed. */
export class LedgerError extends Error {
  override readonly name = 'LedgerError';
  readonly code: LedgerCode;
  readonly path: string;

  constructor(code: LedgerCode, path: string, message: string) {
    super(`${path}: ${message}`);
    this.code = code;
    this.path = path;
  }
}
