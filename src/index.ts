// The public API of passweave: open recordings, recover, merge, read a ledger, estimate.
export type {
  Coverage,
  FileCoverage,
  FileState,
  MissingRange,
  RecordingCoverage,
  StationCoverage,
  Strip,
} from './coverage/coverage.js';
export { LedgerError, MissionFileError, RecordingError, UsageError } from './errors.js';
export { type EstimateOptions, estimate } from './estimate.js';
export { type Inspection, inspect } from './inspect.js';
export { type IntakeOptions, type OpenedRecordings, openRecordings } from './intake/open-recordings.js';
export type { Block, Container, Recording } from './intake/source.js';
export { Ledger, type LedgerOptions } from './ledger/ledger.js';
export { packLedger } from './ledger/pack.js';
export type { Reception } from './ledger/reception-file.js';
export type { FileFacts, FrameField, FrameLayout, Mission } from './mission/mission.js';
export { type MissionFileOptions, parseMission, readMissionFile } from './mission/mission-file.js';
export type { Estimate, RepeatsEstimate, RepeatsRow } from './planning/estimate-repeats.js';
export {
  merge,
  type Outcome,
  type OutputOptions,
  type Progress,
  type RecoverOptions,
  recover,
  reportAgain,
} from './recover.js';
export type { Report } from './report/model.js';
