/** Findings with the lines and columns that they stand at. */
import { pathText, type SettingsFault } from './fault.js'
import type { Finding } from './look.js'
import type { YamlText } from './yaml-text.js'

/** More faults than this are not read by anybody; the last then says how many follow. */
const mostFaults = 100

export function placed({ path, which, verdict }: Finding, yaml: YamlText, file: string): SettingsFault {
  return { file, ...yaml.place(path, which), keyPath: pathText(path), ...verdict }
}

/** Of the text itself and of what stands in it, in the order of the lines. */
export function allFaults(yaml: YamlText, findings: readonly Finding[], file: string): SettingsFault[] {
  const problems = yaml.problems.map(({ place, path, ...verdict }) => ({
    file,
    ...place,
    keyPath: pathText(path),
    ...verdict,
  }))
  const faults = [...problems, ...findings.map((finding) => placed(finding, yaml, file))]
  return bounded(faults.sort((a, b) => a.line - b.line || a.column - b.column))
}

function bounded(faults: SettingsFault[]): SettingsFault[] {
  if (faults.length <= mostFaults) return faults
  const rest = faults.length - mostFaults
  const last = faults[mostFaults - 1]
  return [
    ...faults.slice(0, mostFaults - 1),
    { ...last, advice: `${last.advice ? last.advice + '; ' : ''}and ${rest} more faults below` },
  ]
}
