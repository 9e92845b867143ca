import type { Written } from './broker-config.js'
import { bundleOf } from './broker-config-folder.js'
import { brokerUrl, specialUsers, type BrokerPlan } from './broker-config-texts.js'

/** Lines of commands are not folded: somebody copies them. */
export function writtenText({ folder, plan, stations, added, certificateEnds }: Written): string {
  const fresh = added.filter((user) => !specialUsers.includes(user))
  return [
    `${folder}: broker ${brokerUrl(plan)}, group ${plan.group}, stations ${stations.join(', ') || 'none yet'}.`,
    `The certificate of the broker lasts until ${certificateEnds}; this command makes a new one in its last year.`,
    '',
    'On the machine of the broker, as root, after the contents of',
    `  ${folder}/mosquitto`,
    `were brought to ${plan.at} there:`,
    ...brokerSteps(plan, 'restart'),
    'The main file of mosquitto must have include_dir /etc/mosquitto/conf.d and a persistence_location, as Debian has.',
    '',
    ...(fresh.length > 0 ? ['For the new stations, each in its uplink.yaml:'] : []),
    ...fresh.map((user) => `  ${folder}/${bundleOf(user)}`),
    `Collector and operator: ${folder}/collector, ${folder}/operator.`,
    `${folder}/ca/ca.key can vouch for another broker: keep it off the broker and off the stations.`,
    '',
  ].join('\n')
}

const brokerSteps = ({ at }: BrokerPlan, act: 'restart' | 'reload'): string[] => [
  `  chown -R mosquitto: ${at}`,
  ...(act === 'restart' ? [`  ln -sf ${at}/motepost.conf /etc/mosquitto/conf.d/motepost.conf`] : []),
  `  systemctl ${act} mosquitto`,
]

export const revokedText = (folder: string, plan: BrokerPlan, user: string): string =>
  [
    `${user} has no password any more, and its files are removed from ${folder}.`,
    `It gets in until the broker knows: bring ${folder}/mosquitto/passwords to ${plan.at} there and, as root,`,
    ...brokerSteps(plan, 'reload'),
    specialUsers.includes(user)
      ? 'motepost stations broker-config makes a new password for it.'
      : `Back again with a new password: motepost stations broker-config ${folder} --station ${user}`,
    '',
  ].join('\n')
