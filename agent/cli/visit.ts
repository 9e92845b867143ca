import { addEntry, type Output } from './sitelog.js'

/** Somebody comes or goes: the two entries of the site log that are made most often. */
export function visit(
  file: string,
  what: 'start' | 'end',
  { json, ...given }: VisitOptions,
): Promise<number> {
  return addEntry(file, { ...given, kind: `visit-${what}` }, { json })
}

export interface VisitOptions extends Output {
  readonly from?: string
  readonly who?: string
  readonly note?: string
}
