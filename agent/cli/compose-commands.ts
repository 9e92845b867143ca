import { existsSync, readFileSync } from 'node:fs'
import { dirname, join } from 'node:path'
import { credentialFile } from '../hardware/station-key.js'
import type { SettingsFromAfar, StationPorts } from '../station/station.js'
import type { Log } from '../terms/terms.js'
import { operatorsIn, type Operator } from './operators.js'

/** Name of the file beside the settings, and of the credential that stands in for it. */
export const operatorsName = 'operators'

export const operatorsFile = (settings: string): string =>
  credentialFile(operatorsName) ?? join(dirname(settings), operatorsName)

/**
 * Whose commands a running station takes. The file is read again for each command, so that who is removed has no say from then
 * on; one that cannot be read means nobody.
 */
export function commandPorts(
  settings: string,
  inMemory: boolean,
  log: Log,
  restart: () => void,
  fromAfar: SettingsFromAfar,
): NonNullable<StationPorts['commands']> {
  const file = operatorsFile(settings)
  return { signers: () => operatorsOr(file, log), keepsNumbers: !inMemory, restart, settings: fromAfar }
}

function operatorsOr(file: string, log: Log): readonly Operator[] {
  try {
    if (!existsSync(file)) return []
    const read = operatorsIn(readFileSync(file, 'utf8'))
    if (Array.isArray(read)) return read
    log.warn('no command is taken: the file of operators has a line that is none', { line: read.wrongLine })
  } catch (error) {
    const { code } = error as NodeJS.ErrnoException
    log.warn('no command is taken: the file of operators cannot be read', { code })
  }
  return []
}
